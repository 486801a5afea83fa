"""Shared by the tests of reports."""

from __future__ import annotations

import pytest

from rowcall_reports.figures import canvas


@pytest.fixture
def unpainted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let pictures be composed with their words, but be empty files: painting takes longest."""
    monkeypatch.setattr(canvas, "to_png", lambda figure: b"")
