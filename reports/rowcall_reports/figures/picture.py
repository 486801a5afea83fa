"""What a picture of the report is, and how Markdown refers to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from rowcall_reports import wording


@dataclass(frozen=True, slots=True)
class Picture:
    """One PNG: its file name, bytes, a text for those who cannot see it, and a caption."""

    name: str
    png: bytes
    alt: str
    caption: str


def picture_name(kind: str, baghouse: str) -> str:
    """Return the file name of a kind of picture, such as `rows` or `dp`."""
    return f"{kind}-{baghouse}.png"


def by_name(pictures: Sequence[Picture]) -> Mapping[str, Picture]:
    """Return pictures by file name."""
    return {picture.name: picture for picture in pictures}


def embed(pictures: Mapping[str, Picture], kind: str, baghouse: str) -> str:
    """Return the Markdown of a picture with its caption, '' where there is none."""
    picture = pictures.get(picture_name(kind, baghouse))
    return embedded(picture) if picture else ""


def embedded(picture: Picture) -> str:
    """Return the Markdown of a picture with its caption."""
    return (
        f"![{wording.escape(picture.alt)}]({picture.name})\n\n*{wording.escape(picture.caption)}*"
    )
