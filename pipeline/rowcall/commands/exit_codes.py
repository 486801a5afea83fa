"""Exit codes of every command, and what each means."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum


class Exit(IntEnum):
    """Exit codes; those from 128 on are the number of a signal and 128, as shells have it."""

    DONE = 0
    ROWCALL_FAILED = 1
    NOT_DONE = 2
    NOTICES = 3
    BUSY = 4
    NOT_MAILED = 5
    CUT_SHORT = 6
    PARTS_FAILED = 7
    PARTLY_USABLE = 8
    INTERRUPTED = 130
    PIPE_CLOSED = 141
    TERMINATED = 143


MEANINGS: Mapping[Exit, str] = {
    Exit.DONE: "done",
    Exit.ROWCALL_FAILED: "rowcall itself failed; send the message to its developers",
    Exit.NOT_DONE: (
        "nothing done: wrong arguments, site file or store; the message says what to correct"
    ),
    Exit.NOTICES: (
        "reports are written, but exports, tags, work log or store need a look; see the notices"
    ),
    Exit.BUSY: "another rowcall run was at work and did not end in time; nothing done",
    Exit.NOT_MAILED: (
        "reports are written, but someone still lacks one by mail; it is tried again"
    ),
    Exit.CUT_SHORT: (
        "cut short: what is listed is written and kept; the message says what to correct first"
    ),
    Exit.PARTS_FAILED: (
        "parts of a day failed by an error of rowcall, all else is reported; send the log to "
        "developers"
    ),
    Exit.PARTLY_USABLE: (
        "reports are written; they name tags that could not be used, or a file waits for the next "
        "run"
    ),
    Exit.INTERRUPTED: "stopped by Ctrl-C; what is reported stays, the next run goes on from there",
    Exit.PIPE_CLOSED: "the program that read the output ended before rowcall did",
    Exit.TERMINATED: "stopped by the system (SIGTERM), otherwise as 130",
}
