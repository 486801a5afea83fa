"""The archive in another folder or in object storage: the same promises, and plain sentences."""

from __future__ import annotations

import re
import shutil
import socket
import sys
from collections.abc import Callable, Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from urllib.request import Request, urlopen

import duckdb
import fsspec
import polars as pl
import pyarrow.dataset as ds
import pytest
from helpers.exports import STORE, open_store, take, taken
from helpers.nights.night_runs import night
from helpers.old_days import BEFORE, PLANT, START, TAGS, ZONE, archive, everything, text
from helpers.site_texts import SITE
from moto.server import ThreadedMotoServer
from s3fs import S3FileSystem
from trustme import CA

from rowcall.cli import main
from rowcall.errors import SiteError, StoreError
from rowcall.site import Site
from rowcall.site.plant import Archive
from rowcall.site_file import read_site
from rowcall.store import Store
from rowcall.store.archive import moving
from rowcall.store.archive.archived import archived_days
from rowcall.store.samples import last_before
from rowcall.take_in import Outcome

DAYS = [date(2026, 3, 28), date(2026, 3, 29)]
PARTITION = "plant=Ondravel%20Lime"
KINDS = ("path", "file", "memory", "s3")


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """Return the address of an S3-compatible server with the buckets `plants` and `locked`."""
    served = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    served.start()
    address = "http://{}:{}".format(*served.get_host_and_port())
    yield address
    served.stop()


@pytest.fixture(autouse=True)
def _own_settings(monkeypatch: pytest.MonkeyPatch, server: str, tmp_path: Path) -> Iterator[None]:
    """Let S3 be that server, with one try for each request, and nothing of this machine's."""
    for name, value in {
        "AWS_ENDPOINT_URL": server,
        "AWS_ACCESS_KEY_ID": "anyone",
        "AWS_SECRET_ACCESS_KEY": "anything",
        "AWS_DEFAULT_REGION": "eu-central-1",
        "AWS_MAX_ATTEMPTS": "1",
        "AWS_CONFIG_FILE": str(tmp_path / "aws-config"),
        "AWS_SHARED_CREDENTIALS_FILE": str(tmp_path / "aws-keys"),
        "AWS_EC2_METADATA_DISABLED": "true",
    }.items():
        monkeypatch.setenv(name, value)
    for name in ("AWS_PROFILE", "AWS_CA_BUNDLE", "REQUESTS_CA_BUNDLE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(S3FileSystem, "retries", 1)
    urlopen(Request(f"{server}/moto-api/reset", method="POST")).close()
    urlopen(Request(f"{server}/plants", method="PUT")).close()
    yield
    fsspec.filesystem("memory").store.clear()


@pytest.fixture
def new_client() -> Iterator[None]:
    """Let a test have a client of its own, for one of before keeps its endpoint and keys."""
    S3FileSystem.clear_instance_cache()
    yield
    S3FileSystem.clear_instance_cache()


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a store that holds three days."""
    folder = tmp_path_factory.mktemp("filled")
    open_store(folder / STORE).close()
    taken(folder, text(), "first.csv")
    return folder / STORE


@pytest.fixture(scope="module")
def untouched(filled: Path) -> Iterator[Store]:
    """Return that store, for tests in which nothing leaves it."""
    with Store.open(filled) as opened:
        yield opened


@pytest.fixture
def store(filled: Path, tmp_path: Path) -> Iterator[Store]:
    """Return a copy of that store."""
    shutil.copy(filled, tmp_path)
    with Store.open(tmp_path / STORE) as opened:
        yield opened


def folder_in(kind: str, tmp_path: Path) -> str:
    """Return a value of `[archive] folder`; paths have what a pattern or SQL would trip over."""
    return {
        "path": str(tmp_path / "shared's"),
        "file": (tmp_path / "a disk").as_uri(),
        "memory": "memory://shared/years",
        "s3": "s3://plants/years/",
    }[kind]


def site_in(folder: str) -> Site:
    # Unchecked, for a site file may not name `memory://`.
    return PLANT.model_copy(update={"archive": Archive().model_copy(update={"folder": folder})})


@pytest.mark.parametrize("kind", KINDS)
def test_days_are_read_and_brought_back_as_beside_the_store(
    store: Store, kind: str, tmp_path: Path
) -> None:
    site = site_in(folder_in(kind, tmp_path))
    whole, instant = everything(store), START + timedelta(days=1, hours=3)
    last = last_before(store, TAGS, instant, within=timedelta(days=2))
    assert archive(store, site=site) == DAYS
    files = [one.file for one in archived_days(store)]
    ends = [f"/{PARTITION}/day={day}/samples.parquet" for day in DAYS]
    assert all(file.endswith(end) for file, end in zip(files, ends, strict=True))
    assert (store.connection.execute("SELECT count(*) FROM samples").fetchone() or [0])[0] == 300
    assert everything(store) == whole
    assert last_before(store, TAGS, instant, within=timedelta(days=2)) == last
    assert sorted(path.name for path in tmp_path.glob(f"{STORE}*")) == [STORE]
    (tmp_path / "late.csv").write_text(text(shift=1.0), encoding="utf-8")
    (late,) = take(store, tmp_path / "late.csv")
    assert late.outcome is Outcome.STORED
    assert archived_days(store) == []
    changed = everything(store)
    assert changed != whole
    assert archive(store, site=site) == DAYS  # in place of its own files of before
    assert everything(store) == changed


@pytest.mark.parametrize("kind", ["path", "memory", "s3"])
def test_engines_read_a_shared_folder_alike(
    store: Store, kind: str, tmp_path: Path, server: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hive-partitioned by plant and day, on the file systems of fsspec."""
    authority = tmp_path / "authority.pem"  # polars wants one, though nothing is encrypted here
    CA().cert_pem.write_to_path(authority)
    monkeypatch.setenv("SSL_CERT_FILE", str(authority))
    folder = folder_in(kind, tmp_path).rstrip("/")
    archive(store, site=site_in(folder))
    system, inside = fsspec.url_to_fs(folder)
    found = ds.dataset(inside, filesystem=system, format="parquet", partitioning="hive")
    connection = duckdb.connect()
    connection.register_filesystem(system)
    url = system.unstrip_protocol(inside).replace("'", "''")
    by_duckdb = connection.sql(
        f"SELECT * FROM read_parquet('{url}/*/*/*.parquet', hive_partitioning = true)"
    )
    tables = [pl.DataFrame(found.to_table()), pl.DataFrame(by_duckdb)]
    if kind != "memory":  # polars opens no file system of fsspec
        options = {"aws_endpoint_url": server, "aws_allow_http": "true"} if kind == "s3" else None
        tables.append(
            pl.read_parquet(
                f"{folder}/**/*.parquet", hive_partitioning=True, storage_options=options
            )
        )
    columns, order = ["plant", "tag", "time", "value", "quality"], ["tag", "time"]
    first, *others = (table.select(columns).sort(order) for table in tables)
    assert first.height == 2 * (144 + 138)
    assert first["plant"].unique().to_list() == ["Ondravel Lime"]
    for other in others:
        assert first.equals(other)


@pytest.mark.parametrize("killed_at", ["put", "digest_of", "ArchivedDay"])
def test_a_run_killed_at_any_point_leaves_the_day_in_the_store(
    store: Store, killed_at: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    site, whole = site_in("s3://plants"), everything(store)
    with monkeypatch.context() as patch:
        patch.setattr(moving, killed_at, killed)
        with pytest.raises(KeyboardInterrupt):
            archive(store, site=site)
    assert archived_days(store) == []
    assert everything(store) == whole
    assert archive(store, site=site) == DAYS
    assert everything(store) == whole


def test_what_arrives_wrongly_is_not_used(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    whole, memory = everything(store), fsspec.filesystem("memory")

    def harmed(here: str, there: str) -> None:
        content = Path(here).read_bytes()
        memory.pipe_file(there, content[:100] + b"?" + content[101:])

    monkeypatch.setattr(memory, "put_file", harmed)
    with pytest.raises(StoreError, match=r"2026-03-28 is still in the store\. memory.* arrived"):
        archive(store, site=site_in("memory://shared"))
    assert archived_days(store) == []
    assert everything(store) == whole


def test_a_lost_object_is_named_and_refuses_only_exports_of_its_day(
    store: Store, tmp_path: Path
) -> None:
    archive(store, site=site_in("s3://plants"))
    lost = f"s3://plants/{PARTITION}/day=2026-03-28/samples.parquet"
    everything(store)
    fsspec.filesystem("s3").rm(lost)
    with pytest.raises(StoreError, match=re.escape(f"{lost}: the samples of 2026-03-28 were")):
        everything(store)
    (tmp_path / "late.csv").write_text(text(shift=1.0), encoding="utf-8")
    (tmp_path / "next.csv").write_text(text(first=START + timedelta(days=9)), encoding="utf-8")
    late, later = take(store, tmp_path / "late.csv", tmp_path / "next.csv")
    assert late.outcome is Outcome.REFUSED
    assert lost in late.message
    assert later.outcome is Outcome.STORED


def test_check_store_reads_the_storage(
    store: Store,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    store.close()
    at = ["--site", str(site_file(tmp_path, "s3://plants"))]
    assert main(["archive", *at, "--before", BEFORE.isoformat()]) == 0
    assert "s3://plants/plant=P: 2 days with 564 samples moved" in capsys.readouterr().out
    assert main(["check-store", *at]) == 0
    assert "2 archived days are whole in s3://plants/plant=P:" in capsys.readouterr().out
    s3 = fsspec.filesystem("s3")
    file = "plants/plant=P/day=2026-03-29/samples.parquet"
    content = bytearray(s3.cat_file(file))
    content[len(content) // 2] ^= 1
    s3.pipe_file(file, bytes(content))
    assert main(["check-store", *at]) == 2
    assert "not so: 2026-03-29" in capsys.readouterr().out
    s3.rm(file)
    assert main(["check-store", *at]) == 2
    assert "not so: 2026-03-29" in capsys.readouterr().out
    deny_all(monkeypatch)
    assert main(["check-store", *at]) == 2
    assert "access is denied" in capsys.readouterr().out


def site_file(tmp_path: Path, folder: str) -> Path:
    path = tmp_path / "site.toml"
    table = f'[archive]\nafter_days = 100\nfolder = "{folder}"\n'
    path.write_text(SITE.replace('"UTC"', f'"{ZONE.key}"') + table, encoding="utf-8")
    return path


def deny_all(patch: pytest.MonkeyPatch) -> None:
    patch.setattr("moto.settings.INITIAL_NO_AUTH_ACTION_COUNT", 0)  # keys are looked at from now on


def silent(patch: pytest.MonkeyPatch) -> socket.socket:
    """Let a server accept connections and never answer."""
    listening = socket.create_server(("127.0.0.1", 0))
    patch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{listening.getsockname()[1]}")
    patch.setitem(fsspec.config.conf, "s3", {"config_kwargs": {"read_timeout": 0.2}})
    return listening


def refusing(patch: pytest.MonkeyPatch) -> None:
    with silent(patch):
        pass  # nobody listens there any more


def without_keys(patch: pytest.MonkeyPatch) -> None:
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        patch.delenv(name)


def without_package(patch: pytest.MonkeyPatch) -> None:
    patch.delitem(sys.modules["fsspec.registry"]._registry, "s3", raising=False)
    patch.setitem(sys.modules, "s3fs", None)


FAULTS: dict[str, tuple[str, Callable[[pytest.MonkeyPatch], object]]] = {
    "server gone": ("the storage cannot be used (EndpointConnectionError: ", refusing),
    "no answer": ("the storage cannot be used (ReadTimeoutError: ", silent),
    "denied": ("access is denied", deny_all),
    "no bucket": ("there is no such bucket", lambda _: None),
    "no keys": ("the storage cannot be used (NoCredentialsError: ", without_keys),
    "no package": ("this kind of storage needs a package that is not", without_package),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_storage_that_cannot_be_used_leaves_the_day_in_the_store(
    untouched: Store, fault: str, monkeypatch: pytest.MonkeyPatch, new_client: None
) -> None:
    store, (said, arrange) = untouched, FAULTS[fault]
    bucket, whole = "nowhere" if fault == "no bucket" else "plants", everything(store)
    with monkeypatch.context() as patch:
        arranged = arrange(patch)  # a socket is open as long as somebody has it
        with pytest.raises(StoreError) as caught:
            archive(store, site=site_in(f"s3://{bucket}"))
    beginning, _, reason = str(caught.value).partition("/samples.parquet: ")
    assert beginning == (
        f"2026-03-28 is still in the store. s3://{bucket}/{PARTITION}/day=2026-03-28"
    )
    assert reason.startswith(said)
    assert "\n" not in reason
    assert archived_days(store) == []
    assert everything(store) == whole
    del arranged


def test_a_night_goes_on_without_the_storage(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, new_client: None
) -> None:
    store.close()
    site_file(tmp_path, "s3://plants")
    (tmp_path / "inbox").mkdir()
    refusing(monkeypatch)
    now = datetime.combine(BEFORE, time(5), ZONE) + timedelta(days=100)
    (problem,) = [one for one in night(tmp_path, now=now).unusable if "archive" in one]
    assert problem.startswith("The archive: 2026-03-28 is still in the store. s3://plants/")


def test_days_out_of_reach_are_a_plain_error(
    store: Store, monkeypatch: pytest.MonkeyPatch, new_client: None
) -> None:
    archive(store, site=site_in("s3://plants"))
    S3FileSystem.clear_instance_cache()
    refusing(monkeypatch)
    with pytest.raises(
        StoreError, match=rf"^s3://plants/{PARTITION}/day=.*cannot be used \(Endpoint"
    ):
        everything(store)


def test_a_storage_that_fails_while_it_is_read_is_a_plain_error(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive(store, site=site_in("memory://shared"))

    def gone(*_: object, **__: object) -> None:
        raise ConnectionResetError("Connection lost")

    memory = fsspec.filesystem("memory")
    monkeypatch.setattr(memory, "_open", gone)
    with pytest.raises(StoreError, match=r"cannot be read \(ConnectionResetError: Connection lost"):
        everything(store)


def test_another_folder_holds_from_then_on_only(store: Store, tmp_path: Path) -> None:
    """Each day remembers its file, whatever the site file says later."""
    whole = everything(store)
    for n, folder in enumerate(("", "memory://shared", "s3://plants")):
        site = site_in(folder) if folder else PLANT
        assert len(archive(store, date(2026, 3, 29) + timedelta(days=n), site)) == 1
    files = [one.file for one in archived_days(store)]
    starts = (str(tmp_path / f"{STORE}.archive"), "memory://shared/", "s3://plants/")
    assert all(file.startswith(start) for file, start in zip(files, starts, strict=True))
    assert everything(store) == whole


def test_two_stores_of_one_plant_name_do_not_overwrite_each_other(
    store: Store, tmp_path: Path
) -> None:
    site, whole = site_in("memory://shared"), everything(store)
    archive(store, site=site)
    (tmp_path / "other").mkdir()
    with Store.open(tmp_path / "other" / STORE) as other:
        (tmp_path / "other.csv").write_text(text(shift=5.0), encoding="utf-8")
        take(other, tmp_path / "other.csv")
        with pytest.raises(StoreError, match="was not archived from this store; give each plant"):
            archive(other, site=site)
        assert everything(store) == whole
        fsspec.filesystem("memory").pipe_file(archived_days(store)[0].file, b"no Parquet file")
        with pytest.raises(StoreError, match="was not archived from this store; give each plant"):
            archive(other, site=site)
        assert archived_days(other) == []


def test_the_endpoint_may_stand_in_a_profile_file(
    store: Store,
    server: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    new_client: None,
) -> None:
    for name in ("ENDPOINT_URL", "ACCESS_KEY_ID", "SECRET_ACCESS_KEY"):
        monkeypatch.delenv(f"AWS_{name}")
    keys = "aws_access_key_id = any\naws_secret_access_key = thing\n"
    (tmp_path / "aws-keys").write_text(f"[default]\n{keys}", encoding="utf-8")
    (tmp_path / "aws-config").write_text(f"[default]\nendpoint_url = {server}\n", encoding="utf-8")
    assert archive(store, site=site_in("s3://plants")) == DAYS


@pytest.mark.parametrize(
    "folder",
    [
        *("s3://key:secret@plants", "s3://plants?secret=x", "s3://", "S3://plants"),
        *("s3+x y://plants", "memory://plants"),
    ],
)
def test_a_site_file_holds_no_keys(folder: str, tmp_path: Path) -> None:
    with pytest.raises(SiteError, match=r"is no folder; allowed .* keys come from the env"):
        read_site(site_file(tmp_path, folder))
