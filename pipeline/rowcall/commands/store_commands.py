"""The commands on the store: check-store, backup and archive."""

from __future__ import annotations

import argparse
from datetime import date
from pathlib import Path

from rowcall.commands.exit_codes import Exit
from rowcall.commands.options import Commands, add_command, add_site, add_wait, read_logged_site
from rowcall.errors import RowcallError, printable
from rowcall.run_log import LOG


def add_to(commands: Commands) -> None:
    """Add these commands to the parser."""
    _add_check_store(commands)
    _add_backup(commands)
    _add_archive(commands)


def _add_check_store(commands: Commands) -> None:
    parser = add_command(
        commands,
        _check_store,
        "check-store",
        "read the store from end to end and say whether it is whole; nothing is changed",
    )
    add_site(parser)
    add_wait(parser)
    parser.add_argument(
        "--store", type=Path, metavar="FILE", help="check this file instead, as a backup"
    )


def _check_store(options: argparse.Namespace) -> Exit:
    from rowcall.runs.lock import hold_site
    from rowcall.store import Store
    from rowcall.store.upkeep.checking import check_store

    site = read_logged_site(options)
    path = options.store or site.store
    problems = 0
    with (
        hold_site(site.store, options.wait, LOG.info),
        Store.open(path, read_only=True) as store,
    ):
        for check in check_store(store, site.reports):
            print(printable(f"{check.what}: {check.problem or 'in order'}"), flush=True)
            problems += bool(check.problem)
    if problems:
        raise RowcallError(
            f"{path}: not all of it is in order. Keep the file, put the newest backup in its "
            "place, and run the nightly job: it takes in what the inbox still holds."
        )
    print(f"{path}: the store is whole.")
    return Exit.DONE


def _add_backup(commands: Commands) -> None:
    parser = add_command(
        commands,
        _backup,
        "backup",
        "copy the store into a new file while no other run is at work on it",
    )
    add_site(parser)
    add_wait(parser)
    parser.add_argument(
        "--to", type=Path, required=True, metavar="FILE", help="new file for the copy"
    )


def _backup(options: argparse.Namespace) -> Exit:
    from rowcall.runs.lock import hold_site
    from rowcall.store.upkeep.backup import back_up

    site = read_logged_site(options)
    with hold_site(site.store, options.wait, LOG.info):
        back_up(site.store, options.to)
    print(f"{options.to}: a copy of {site.store.name}; check it with --store of check-store.")
    return Exit.DONE


def _add_archive(commands: Commands) -> None:
    parser = add_command(
        commands,
        _archive,
        "archive",
        "move the samples of old days into Parquet files beside the store, or in the folder or "
        "object storage of [archive] folder; nothing is lost, and later runs read them there",
    )
    add_site(parser)
    add_wait(parser)
    parser.add_argument(
        "--before",
        type=date.fromisoformat,
        required=True,
        metavar="DATE",
        help="move the days before this one (YYYY-MM-DD)",
    )


def _archive(options: argparse.Namespace) -> Exit:
    from rowcall.runs.lock import hold_site
    from rowcall.store import Store
    from rowcall.store.archive.archived import folder_of, plant_folder
    from rowcall.store.archive.moving import archive_days

    site = read_logged_site(options)
    with hold_site(site.store, options.wait, LOG.info), Store.open(site.store) as store:
        moved = archive_days(store, site, options.before, LOG.info)
    rows = sum(one.rows for one in moved)
    folder = plant_folder(site) or folder_of(site.store)
    print(
        f"{folder}: {len(moved)} days with {rows:,} samples moved here, read back "
        "and compared. Back the folder up together with the store."
    )
    return Exit.DONE
