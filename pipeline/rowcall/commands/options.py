"""What commands share: options with help that a plant engineer understands, and what these name."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import date
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from rowcall.commands.exit_codes import MEANINGS, Exit
from rowcall.errors import RowcallError
from rowcall.run_log import log_to_file

if TYPE_CHECKING:
    from rowcall.site import Site

# The only name that argparse has for what `add_subparsers` returns.
Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"

EXIT_CODES = "exit codes:\n" + "\n".join(f"  {code:d}  {text}" for code, text in MEANINGS.items())


def add_command(
    commands: Commands, run: Callable[[argparse.Namespace], Exit], name: str, text: str
) -> argparse.ArgumentParser:
    """Add a command that calls `run` with its options; return its parser, for more of them."""
    parser = commands.add_parser(
        name,
        help=text,
        description=text[0].upper() + text[1:] + ".",
        epilog=EXIT_CODES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(run=run)
    return parser


def add_site(parser: argparse.ArgumentParser) -> None:
    """Add `--site`."""
    parser.add_argument(
        "--site",
        type=Path,
        default=Path("site.toml"),
        metavar="FILE",
        help="the site file (default: site.toml)",
    )


def add_wait(parser: argparse.ArgumentParser) -> None:
    """Add `--wait`, in seconds."""
    parser.add_argument(
        "--wait",
        type=float,
        default=60.0,
        metavar="SECONDS",
        help="how long to wait if another run is at work (default: 60)",
    )


def add_quiet(parser: argparse.ArgumentParser) -> None:
    """Add `--quiet`."""
    parser.add_argument(
        "--quiet",
        action="store_true",
        help="say only warnings and worse on stderr; a log file still gets all",
    )


def add_workers(parser: argparse.ArgumentParser) -> None:
    """Add `--workers` and, in its place, `--scheduler`; both are the option `workers`."""
    group = parser.add_mutually_exclusive_group()
    group.add_argument(
        "--workers",
        type=_count,
        metavar="N",
        help="days are studied and drawn by so many processes beside this one, each of which may "
        "take 1.5 GiB of memory; with 1, this one does all (default: as many as there are cores "
        "and free memory for)",
    )
    group.add_argument(
        "--scheduler",
        type=_address,
        dest="workers",
        metavar="ADDRESS",
        help="days are studied and drawn by the workers of the Dask cluster with its scheduler at "
        "tcp://HOST:PORT; start them by `POLARS_MAX_THREADS=1 dask worker ADDRESS --nthreads 1 "
        "--nworkers N`. Where the cluster is out of reach, this process does all",
    )


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text}: give a whole number from 1")
    return int(text)


def _address(text: str) -> str:
    if not re.fullmatch(r"(tcp|tls)://\S+:\d+", text):
        raise argparse.ArgumentTypeError(f"{text}: write it as tcp://HOST:PORT")
    if find_spec("distributed") is None:
        raise argparse.ArgumentTypeError(
            'it needs the package distributed; install it by pip install "rowcall[fleet]"'
        )
    return text


def add_days(parser: argparse.ArgumentParser, last: date | None = None) -> None:
    """Add the first and the last day of a range; `last` is that where none is given."""
    for flag, which, default in (("--from", "first", None), ("--to", "last", last)):
        parser.add_argument(
            flag,
            dest=which,
            type=date.fromisoformat,
            required=default is None,
            default=default,
            metavar="YYYY-MM-DD",
            help=f"{which} day to judge" + (" (default: the newest one)" if default else ""),
        )


def read_logged_site(
    options: argparse.Namespace,
    settings: Mapping[str, str] | None = None,
    *,
    is_to_judge: bool = False,
) -> Site:
    """Read the site file, and log to the file that it names from then on."""
    from rowcall.site_file import read_site

    site = read_site(options.site, settings, is_to_judge=is_to_judge)
    log = logged_to(site)
    if log is not None:
        log_to_file(Path(log[0]), *log[1:])
    return site


def logged_to(site: Site) -> tuple[str, int, int] | None:
    """Return the log file of a site, its greatest size [bytes] and the number of old ones kept."""
    if site.log is None:
        return None
    return str((site.base / site.log.file).absolute()), site.log.max_size, site.log.old_files


def check_new(target: Path) -> None:
    """Refuse, as a `RowcallError`, a file that is there already."""
    if target.exists():
        raise RowcallError(
            f"{target} is already there and is not overwritten; name another file with --to."
        )


def write_new(target: Path, text: str) -> None:
    """Write a file whole, or leave none: half a file would be taken for a whole one."""
    try:
        target.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        with suppress(OSError):
            target.unlink(missing_ok=True)
        raise RowcallError(
            f"{target}: it cannot be written ({error.strerror or error}); check that its folder is "
            "there, that this account may write to it, and that the disk has room."
        ) from error


def key_and_value(text: str) -> tuple[str, str]:
    """Return the two sides of `KEY=VALUE`, the second empty without one."""
    key, _, value = text.partition("=")
    return key.strip(), value.strip()
