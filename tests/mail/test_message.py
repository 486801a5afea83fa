"""The message: text and page from the same report, recognisable again, safe headers."""

from __future__ import annotations

import re
from email import message_from_bytes, policy
from email.message import EmailMessage

import pytest
from helpers.nights import mail_server

from rowcall.mail.message import compose, content_id
from rowcall.site.address import address


def parsed(**changes: object) -> EmailMessage:
    """Return the composed message as a recipient's program reads it."""
    message = compose(mail_server.mail(25), mail_server.letter(**changes))
    out = message_from_bytes(message.as_bytes(), policy=policy.default)
    assert isinstance(out, EmailMessage)
    return out


def test_text_and_page_are_alternatives_and_pictures_inline() -> None:
    message = parsed()
    assert message.get_content_type() == "multipart/alternative"
    text, page = message.iter_parts()
    assert text.get_content_type() == "text/plain"
    assert page.get_content_type() == "multipart/related"
    body = message.get_body(("plain",))
    assert body is not None
    assert body.get_content().replace("\r\n", "\n") == mail_server.letter().markdown
    pictures = [part for part in message.walk() if part.get_content_type() == "image/png"]
    assert [part["Content-ID"] for part in pictures] == [
        f"<{content_id('rows-BH1.png')}>",
        f"<{content_id('dp-BH1.png')}>",
    ]
    assert [part.get_content() for part in pictures] == [b"\x89PNG one", b"\x89PNG two"]
    assert {part.get_content_disposition() for part in pictures} == {"inline"}


@pytest.mark.parametrize("name", ["Ondravel Lime", "Kalkwerk Öd, 石灰 \r\nBcc: x@y.example " * 9])
def test_a_strict_parser_finds_no_defect(name: str) -> None:
    """Python's own parser (RFC 5322, 2045-2047), which raises at every defect it knows."""
    message = compose(
        mail_server.mail(25), mail_server.letter(subject=f"NOW: {name}", markdown="ä" * 3000)
    )
    raw = message.as_bytes()
    out = message_from_bytes(raw, policy=policy.strict)
    assert out.policy.raise_on_defect
    for part in out.walk():
        assert not part.defects
        assert all(not value.defects for value in part.values())
        if not part.is_multipart():
            part.get_content()
    assert " ".join(out["Subject"].split()) == " ".join(f"NOW: {name}".split())
    assert raw.isascii()
    assert max(map(len, raw.split(b"\r\n"))) <= 998  # RFC 5322, 2.1.1


def test_related_names_the_type_of_its_root_and_holds_what_the_page_refers_to() -> None:
    """RFC 2387, 3.1: `type` is required, and the first part is the root; RFC 2392: cid:."""
    _, related = parsed().iter_parts()
    assert related.get_param("type") == "text/html"
    root, *pictures = related.iter_parts()
    assert root.get_content_type() == "text/html"
    referred = re.findall(r'src="cid:([^"]+)"', root.get_content())
    assert referred
    assert {f"<{one}>" for one in referred} <= {part["Content-ID"] for part in pictures}


def test_headers() -> None:
    message = parsed()
    assert message["From"] == "rowcall@ondravel.example"
    assert message["To"] == "planner@ondravel.example, mechanic@ondravel.example"
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Date"] == "Wed, 25 Nov 2026 04:30:00 +0000"
    assert message["Message-ID"].endswith("@ondravel.example>")


def test_same_report_gives_same_bytes() -> None:
    one, two = (compose(mail_server.mail(25), mail_server.letter()) for _ in range(2))
    assert one.as_bytes() == two.as_bytes()


def test_message_id_follows_plant_day_revision_and_recipients() -> None:
    ids = {
        parsed()["Message-ID"],
        parsed(revision=2)["Message-ID"],
        parsed(plant="Other")["Message-ID"],
        compose(mail_server.mail(25, to=["a@b.example"]), mail_server.letter())["Message-ID"],
    }
    assert len(ids) == 4
    assert parsed(markdown="other", subject="other")["Message-ID"] == parsed()["Message-ID"]
    turned = mail_server.mail(25, to=["mechanic@ondravel.example", "planner@ondravel.example"])
    assert compose(turned, mail_server.letter())["Message-ID"] == parsed()["Message-ID"]


def test_no_header_can_be_smuggled_in() -> None:
    message = parsed(subject="Plant\r\nBcc: thief@x.example\x00 end", plant="x\r\nBcc: y@z.example")
    assert message["Subject"] == "Plant Bcc: thief@x.example end"
    assert message["Bcc"] is None


@pytest.mark.parametrize(
    "text",
    ["", "planner", "@host", "a@", "a@b\r\nBcc: c@d", "a@b, c@d", "a b@c", "a@b@c", "ä@b.example"],
)
def test_address_that_cannot_be_used_is_a_plain_error(text: str) -> None:
    with pytest.raises(ValueError, match="not one mail address"):
        address(text)


def test_address_with_a_name_is_used_bare() -> None:
    assert address("Maintenance <m@ondravel.example>") == "m@ondravel.example"
