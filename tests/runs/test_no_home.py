"""A night of an account without a home folder, as of a service: libraries have nothing to say."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from helpers.nights.small_plant import copy_plant

from rowcall.cli import Exit

pytestmark = [pytest.mark.real_pictures, pytest.mark.sparse_days]
_NOWHERE = os.devnull + "/home"  # not even the administrator can make it
# Without an entry of the account, Python finds no home at all.
_NO_ACCOUNT = (
    "import pathlib, sys\n"
    "def none(*_): raise RuntimeError('Could not determine home directory.')\n"
    "pathlib.Path.home = classmethod(none)\n"
    "from rowcall.cli import main\nsys.exit(main(sys.argv[1:]))\n"
)


@pytest.mark.skipif(sys.platform == "win32", reason="homes are found in another way")
@pytest.mark.parametrize(
    "start", [("-m", "rowcall"), ("-c", _NO_ACCOUNT)], ids=["not writable", "none"]
)
def test_a_night_without_a_home_prints_no_notices(
    made: Path, tmp_path: Path, start: tuple[str, str]
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("HOME", "XDG_", "MPL"))
    }
    done = subprocess.run(
        [sys.executable, *start, "nightly", "--settle", "0", "--quiet"],
        cwd=plant,
        env=kept | ({"HOME": _NOWHERE} if start[0] == "-m" else {}),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == Exit.NOTICES
    (line,) = done.stderr.splitlines()
    assert "No data newer than" in line
    assert list((plant / "reports").rglob("*.png"))
