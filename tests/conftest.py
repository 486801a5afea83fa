"""Shared by all tests: nothing of the machine's own settings leaks in."""

from __future__ import annotations

import pytest
from hypothesis import settings

# The same examples every time, and no verdict on speed: that is what the benchmarks are for.
settings.register_profile("rowcall", deadline=None, derandomize=True)
settings.load_profile("rowcall")


@pytest.fixture(autouse=True)
def _no_mail_secrets(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep a developer's own mail settings out of the tests."""
    for name in ("ROWCALL_SMTP_USER", "ROWCALL_SMTP_PASSWORD", "ROWCALL_SMTP_CA"):
        monkeypatch.delenv(name, raising=False)
