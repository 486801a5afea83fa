"""The commands on exports: look, set-aside and new-site."""

from __future__ import annotations

import argparse
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from rowcall.commands.exit_codes import Exit
from rowcall.commands.options import (
    Commands,
    add_command,
    add_site,
    check_new,
    key_and_value,
    write_new,
)
from rowcall.errors import ExportError, RowcallError, printable
from rowcall.run_log import LOG

if TYPE_CHECKING:
    from rowcall.site_file import ExportSettings


def add_to(commands: Commands) -> None:
    """Add these commands to the parser."""
    _add_look(commands)
    _add_set_aside(commands)
    _add_new_site(commands)


def _add_look(commands: Commands) -> None:
    parser = add_command(commands, _look, "look", "show how exports are read, and store nothing")
    parser.add_argument(
        "exports",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="an export, archive or folder, or a pattern such as 'exports/*.csv'",
    )
    _add_export_settings(parser)


def _look(options: argparse.Namespace) -> Exit:
    from rowcall.look import look_at, shown

    known = _export_settings(options)
    refused: list[ExportError] = []

    def refuse(error: ExportError) -> None:
        LOG.warning(_with_way(error))
        refused.append(error)

    for path in options.exports:
        try:
            for looked in look_at(path, known.take_in, known.zone, datetime.now(UTC), refuse):
                print(shown(looked))
        except ExportError as error:
            refuse(error)
    return Exit.NOT_DONE if refused else Exit.DONE


def _add_set_aside(commands: Commands) -> None:
    parser = add_command(
        commands,
        _set_aside,
        "set-aside",
        "count the rows of exports that could not be used, or write them to a file",
    )
    add_site(parser)
    parser.add_argument(
        "--to",
        type=Path,
        metavar="FILE",
        help="new CSV file for these rows: file, line, column, original text, reason",
    )
    parser.add_argument(
        "--file", metavar="NAME", help="only rows of exports with this in their name"
    )
    parser.add_argument("--reason", metavar="TEXT", help="only rows with this in their reason")


def _set_aside(options: argparse.Namespace) -> Exit:
    from rowcall.csv_text import to_csv
    from rowcall.site_file import read_site
    from rowcall.store import Store
    from rowcall.store.aside import Kept, aside_counts, aside_rows

    with Store.open(read_site(options.site).store, read_only=True) as store:
        kept = Kept(options.file or "", options.reason or "")
        counts = aside_counts(store, kept)
        if options.to:
            check_new(options.to)
            rows = aside_rows(store, kept)
            write_new(options.to, to_csv(rows.columns, rows.iter_rows()))
    total = 0
    for file, reason, rows in counts.iter_rows():
        print(printable(f"{rows:>10}  {file}: {reason}"))
        total += rows
    print(f"{total:>10}  rows set aside in all")
    return Exit.DONE


def _add_new_site(commands: Commands) -> None:
    parser = add_command(
        commands,
        _new_site,
        "new-site",
        "draft a site file from an export; check and complete it by hand",
    )
    parser.add_argument(
        "export",
        type=Path,
        metavar="FILE",
        help="an export of the historian, or an archive, folder or pattern of them",
    )
    _add_export_settings(parser)
    parser.add_argument(
        "--to",
        type=Path,
        default=Path("site.toml"),
        metavar="FILE",
        help="new site file (default: site.toml)",
    )


def _new_site(options: argparse.Namespace) -> Exit:
    from rowcall.draft import draft_site

    target: Path = options.to
    check_new(target)
    try:
        draft = draft_site(options.export, _export_settings(options))
    except ExportError as error:
        raise ExportError(_with_way(error)) from error
    write_new(target, draft)
    print(
        f"A draft is in {target}. Look at every line marked CHECK and delete its mark, then run: "
        f"rowcall nightly --site {target}"
    )
    return Exit.DONE


def _export_settings(options: argparse.Namespace) -> ExportSettings:
    from rowcall.site_file import read_export_settings

    settings = dict(key_and_value(text) for text in options.set)
    for key, value in settings.items():
        if not value or not re.fullmatch(r"(take_in|plant)\.\w+", key):
            raise RowcallError(
                f"--set {key}: write it as take_in.KEY=VALUE or plant.time_zone=ZONE, for example "
                "--set take_in.tag_column=Point."
            )
    return read_export_settings(options.site, settings)


def _with_way(error: ExportError) -> str:
    """Say where settings go before there is a site file."""
    way = " Until there is a site file, give it with --set, such as --set take_in.KEY=VALUE."
    return str(error) + (way if "take_in." in str(error) else "")


def _add_export_settings(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--site",
        type=Path,
        metavar="FILE",
        help="use [plant] and [take_in] of this site file, which may hold nothing else yet",
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="a setting such as take_in.tag_column=Point or plant.time_zone=UTC; may be repeated",
    )
