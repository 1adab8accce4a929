"""Settings for every test."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

# The same examples on every run and no deadline: coverage and a busy machine must not decide a test.
settings.register_profile(
    "thumbrule", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("thumbrule")
