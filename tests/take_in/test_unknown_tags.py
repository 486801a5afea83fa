"""Tags that no baghouse has: stored, so that they have a history later, or set aside."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.exports import (
    NOW,
    START,
    aside,
    counts,
    long_csv,
    plant_site,
    samples,
    store_of,
    stored,
    wide_csv,
)
from helpers.long_exports import LITTLE
from helpers.nights.night_runs import health, names, night
from helpers.nights.small_plant import copy_plant
from helpers.nights.stand_ins import stand_ins
from pydantic import ValidationError

from rowcall.site import Role, Site, Tag, TakeIn
from rowcall.take_in import TakenIn, take_in
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.outcome import UNKNOWN_TAG

ROWS = samples(30, tags=("DP", "PT", "XY"))


def site_of(unknown_tags: str) -> Site:
    """A site that has the tag DP only."""
    site = plant_site(TakeIn.model_validate({"unknown_tags": unknown_tags}))
    tag = Tag(role=Role.DP, tag="DP", unit="Pa")
    houses = tuple(house.model_copy(update={"tag": (tag,)}) for house in site.baghouse)
    return site.model_copy(update={"baghouse": houses})


def take(folder: Path, text: str, unknown_tags: str, memory: Memory | None) -> TakenIn:
    path = folder / "day.csv"
    path.write_text(text, encoding="utf-8")
    with store_of(folder) as store:
        site = site_of(unknown_tags)
        (result,) = take_in(
            store, site, [path], now=NOW, settle_s=0.0, progress=lambda text: None, memory=memory
        )
    return result


@pytest.mark.parametrize("memory", [None, LITTLE])
@pytest.mark.parametrize("write", [long_csv, wide_csv])
@pytest.mark.parametrize(("unknown_tags", "kept"), [("store", 90), ("set aside", 30)])
def test_the_site_file_says_what_becomes_of_unknown_tags(
    tmp_path: Path, write: object, unknown_tags: str, kept: int, memory: Memory | None
) -> None:
    assert callable(write)
    result = take(tmp_path, write(ROWS), unknown_tags, memory)
    assert counts(result) == (90, kept, 0, 0, 90 - kept)
    assert {name for name, *_ in stored(tmp_path)} >= {"DP"}
    rows = aside(tmp_path)
    assert {reason for *_, reason in rows} == ({UNKNOWN_TAG} if kept == 30 else set())
    if write is wide_csv:
        assert {column for _, column, _, _ in rows} <= {"PT", "XY"}


def test_of_a_file_with_unknown_tags_only_it_is_said_what_to_do(tmp_path: Path) -> None:
    rows = [("XY", START, 1.0, "Good")]
    message = take(tmp_path, long_csv(rows), "set aside", None).message
    assert "no baghouse of the site file has this tag" in message
    assert 'unknown_tags = "store"' in message


def test_other_words_are_refused() -> None:
    with pytest.raises(ValidationError):
        TakeIn.model_validate({"unknown_tags": "forget"})


def test_a_tag_added_to_the_site_file_later_has_its_history(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next day judged has it, and a late export of an old day shows the old one too."""
    monkeypatch.setattr("rowcall_reports.figures.all_pictures.draw", stand_ins)
    plant = copy_plant(made, tmp_path / "plant", days=1)
    site = plant / "site.toml"
    whole = site.read_text(encoding="utf-8")
    begin = whole.index("[[baghouse.tag]]")
    first_tag, rest = whole[begin:].split("[[baghouse.tag]]")[1], "[[baghouse.tag]]"
    site.write_text(
        whole[:begin] + rest + rest.join(whole[begin:].split(rest)[2:]), encoding="utf-8"
    )
    name = first_tag.split('tag = "')[1].split('"')[0]
    night(plant)
    assert name not in health(plant)
    site.write_text(whole, encoding="utf-8")
    (plant / "inbox" / "late.csv").write_text(
        "time,tag,value\n2026-03-28 12:00:00.5,F1.XX,1\n", encoding="utf-8"
    )
    assert names(night(plant)) == ["2026-03-28"]
    assert health(plant)[name][1] > 1_000
