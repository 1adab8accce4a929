"""Serving on a production WSGI server: several synchronous workers, graceful stop, loopback by default."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import Any

HOST = "127.0.0.1"
PORT = 8000
WORKERS = 2
TIMEOUT = (
    120  # s; a worker that is silent for longer is replaced; the budget of re-runs ends work well before
)
GRACE = 10  # s to finish what is under way when asked to stop
_LOOPBACK = ("127.0.0.1", "::1", "localhost")


def serve(
    host: str = HOST, port: int = PORT, workers: int = WORKERS, config: Mapping[str, Any] | None = None
) -> None:
    """Serve until interrupted or terminated.  Port 0 takes a free port; the address is printed when ready.

    ``config`` goes to :func:`service.http.app.create_app`.
    Raises ``ValueError`` for a port or a number of workers out of range, and
    ``SystemExit`` (from the server) when the address cannot be had.
    """
    if not 0 <= port <= 65535:
        raise ValueError(f"the port is {port}; it has to be 0 to 65535")
    if workers < 1:
        raise ValueError(f"the number of workers is {workers}; it has to be at least 1")
    if host not in _LOOPBACK:
        print(
            f"{host} can be reached from other machines, and the service has no authentication and no TLS of"
            " its own; put a proxy in front of it.",
            file=sys.stderr,
            flush=True,
        )
    _application(host, port, workers, config or {}).run()


def bind_address(host: str, port: int) -> str:
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def _announce(server: Any) -> None:
    for listener in server.LISTENERS:
        host, port = listener.sock.getsockname()[:2]
        print(f"Serving on http://{bind_address(host, port)} (stop with Ctrl-C)", flush=True)


def _application(host: str, port: int, workers: int, config: Mapping[str, Any]) -> Any:
    from gunicorn.app.base import BaseApplication

    from service.http.app import create_app

    class Application(BaseApplication):  # type: ignore[misc]  # the server ships no types
        def load_config(self) -> None:
            settings = {
                "bind": bind_address(host, port),
                "workers": workers,
                "worker_class": "sync",
                "timeout": TIMEOUT,
                "graceful_timeout": GRACE,
                "preload_app": True,  # workers share the loaded rules
                "loglevel": "warning",
                "when_ready": _announce,
                "proc_name": "thumbrule",
            }
            for name, value in settings.items():
                self.cfg.set(name, value)

        def load(self) -> Any:
            return create_app(config)

    return Application()
