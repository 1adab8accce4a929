"""Jobs run off the event loop, newer ones replace older ones, and what is stale is never delivered."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from typing import Any

import pytest

from clients.language_server.schedule import Rest, Schedule, Token

pytestmark = pytest.mark.asyncio


class Desk:
    """A schedule, what it delivered, and a way to wait for it."""

    def __init__(self) -> None:
        self.schedule = Schedule(asyncio.get_running_loop())
        self.told: list[Any] = []
        self.errors: list[Exception] = []
        self._news = asyncio.Event()

    def put(self, key: str, work: Any, delay: float = 0.0) -> Token:
        return self.schedule.put(key, work, self._tell, self._fail, delay)

    def _tell(self, value: Any) -> None:
        assert threading.current_thread() is threading.main_thread()
        self.told.append(value)
        self._news.set()

    def _fail(self, error: Exception) -> None:
        self.errors.append(error)
        self._news.set()

    async def until(self, count: int) -> None:
        async with asyncio.timeout(10):
            while len(self.told) + len(self.errors) < count:
                self._news.clear()
                await self._news.wait()

    async def idle(self, key: str) -> None:
        async with asyncio.timeout(10):
            while self.schedule.is_under_way(key):
                await asyncio.sleep(0.001)


def says(*words: Any) -> Any:
    def work(token: Token) -> Iterator[Any]:
        assert threading.current_thread() is not threading.main_thread()
        yield from words

    return work


async def test_steps_are_delivered_in_order_on_the_loop() -> None:
    desk = Desk()
    desk.put("a", says(1, 2, 3))
    await desk.until(3)
    await desk.idle("a")
    assert desk.told == [1, 2, 3]
    desk.schedule.close()


async def test_a_newer_job_takes_the_place_of_one_that_waits() -> None:
    desk = Desk()
    desk.put("a", says("old"), delay=0.02)
    desk.put("a", says("new"), delay=0.02)
    await desk.until(1)
    await asyncio.sleep(0.05)
    assert desk.told == ["new"]
    desk.schedule.close()


async def test_nothing_of_a_job_that_was_replaced_is_delivered_and_it_hears_of_it() -> None:
    desk = Desk()
    started, may_go_on, ended = threading.Event(), threading.Event(), []

    def old(token: Token) -> Iterator[str]:
        try:
            yield "old, first"
            started.set()
            may_go_on.wait(10)
            token.check()
            yield "old, second"  # pragma: no cover
        finally:
            ended.append(token.cancelled)

    desk.put("a", old)
    await asyncio.to_thread(started.wait, 10)
    desk.put("a", says("new"))
    may_go_on.set()
    await desk.until(2)
    assert desk.told == ["old, first", "new"]
    assert ended == [True]
    desk.schedule.close()


async def test_a_result_that_comes_too_late_is_dropped_even_if_the_job_never_looks_up() -> None:
    desk = Desk()
    started, may_go_on = threading.Event(), threading.Event()

    def deaf(token: Token) -> Iterator[str]:
        started.set()
        may_go_on.wait(10)
        yield "stale"

    desk.put("a", deaf)
    await asyncio.to_thread(started.wait, 10)
    desk.schedule.drop("a")
    may_go_on.set()
    desk.put("b", says("other"))
    await desk.until(1)
    assert desk.told == ["other"]
    desk.schedule.close()


async def test_long_work_on_one_document_does_not_hold_up_another() -> None:
    desk = Desk()
    started, may_go_on = threading.Event(), threading.Event()

    def long(token: Token) -> Iterator[Any]:
        yield Rest(0.0)
        started.set()
        may_go_on.wait(10)
        yield "long"

    desk.put("a", long)
    await asyncio.to_thread(started.wait, 10)
    assert not desk.schedule.is_urgent("a")
    assert desk.schedule.is_under_way("a")
    desk.put("b", says("short"))
    await desk.until(1)
    assert desk.told == ["short"]
    may_go_on.set()
    await desk.until(2)
    assert desk.told == ["short", "long"]
    desk.schedule.close()


async def test_who_waits_can_hurry_a_job_that_rests() -> None:
    desk = Desk()

    def lazy(token: Token) -> Iterator[Any]:
        yield "first"
        yield Rest(1000.0)
        yield "second"

    desk.put("a", lazy, delay=1000.0)
    assert desk.schedule.is_urgent("a")
    desk.schedule.hurry("a")
    await desk.until(1)
    while desk.schedule.is_urgent("a"):
        await asyncio.sleep(0.001)
    desk.schedule.hurry("a")
    await desk.until(2)
    assert desk.told == ["first", "second"]
    desk.schedule.close()


@pytest.mark.parametrize("place", ["work", "deliver"])
async def test_a_defect_is_told_and_the_schedule_goes_on(place: str) -> None:
    desk = Desk()

    def broken(token: Token) -> Iterator[Any]:
        yield "fine"
        if place == "work":
            raise RuntimeError("broken")
        yield "bad"

    def deliver(value: str) -> None:
        if value == "bad":
            raise RuntimeError("broken")
        desk._tell(value)

    desk.schedule.put("a", broken, deliver, desk._fail)
    await desk.until(2)
    assert [str(error) for error in desk.errors] == ["broken"]
    assert not desk.schedule.is_under_way("a")
    desk.put("a", says("again"))
    await desk.until(3)
    assert desk.told == ["fine", "again"]
    desk.schedule.close()


async def test_closing_ends_what_runs_and_takes_nothing_new() -> None:
    desk = Desk()
    started = threading.Event()

    def endless(token: Token) -> Iterator[Any]:
        started.set()
        while True:
            token.check()

    desk.put("a", endless)
    await asyncio.to_thread(started.wait, 10)
    desk.schedule.close()
    desk.put("b", says("late"))
    await asyncio.sleep(0.01)
    assert desk.told == []
