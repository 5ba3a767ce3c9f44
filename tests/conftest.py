"""Shared set-up: a compile cache that survives between runs, and hypothesis profiles that print their seeds."""

from __future__ import annotations

import os
from pathlib import Path

from hypothesis import HealthCheck, settings

os.environ.setdefault("NUMBA_CACHE_DIR", str(Path(__file__).parents[1] / ".numba_cache"))

settings.register_profile(
    "nightreel",
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.load_profile("nightreel")
