"""XMP packets and sidecars: by namespace, of the resource itself, in any of its encodings."""

from __future__ import annotations

from datetime import datetime

import pytest

from replicatord.model.frames import CaptureTime, Kind, TimeOrigin
from tests import media_builders as make
from tests.media_builders import facts_of

SIDECAR = b"IMG_0001.CR3.xmp"


def test_a_sidecar_gives_stars_time_and_camera() -> None:
    attributes = {"xmp:Rating": "2", "exif:DateTimeOriginal": "2026-01-31T16:04:09.25+01:00"}
    facts = facts_of(make.xmp(attributes, {"tiff:Model": " Estuary 7 "}).encode(), SIDECAR)
    local = datetime(2026, 1, 31, 16, 4, 9)  # noqa: DTZ001  a camera's wall time
    assert facts.captured == CaptureTime(local=local, fraction="25", offset_minutes=60, origin=TimeOrigin.XMP)
    assert (facts.kind, facts.format, facts.stars, facts.camera) == (Kind.SIDECAR, "xmp", 2, "Estuary 7")
    assert facts.problem == ""


@pytest.mark.parametrize("prefix", ["xmp", "xap"])
@pytest.mark.parametrize("is_element", [False, True])
def test_attribute_or_element_and_any_prefix(prefix: str, *, is_element: bool) -> None:
    values = {f"{prefix}:Rating": "3"}
    packet = make.xmp(elements=values) if is_element else make.xmp(values)
    assert facts_of(packet.encode(), SIDECAR).stars == 3


def test_a_namespace_may_be_declared_late_or_hidden_behind_another() -> None:
    packet = make.xmp(elements={"other:Rating": "99"}).replace(
        "<other:Rating>99</other:Rating>",
        '<other:Rating>99</other:Rating><other:Rating xmlns:other="http://ns.adobe.com/xap/1.0/">4</other:Rating>'
        "<other:Rating>1</other:Rating>",
    )
    assert facts_of(packet.encode(), SIDECAR).stars == 4


def test_a_rating_in_another_namespace_is_none() -> None:
    assert facts_of(make.xmp({"other:Rating": "99"}).encode(), SIDECAR).stars is None


def test_a_rating_of_an_ingredient_is_not_the_frames() -> None:
    inner = '<rdf:li><rdf:Description xmp:Rating="5"/></rdf:li><rdf:li><xmp:Rating>5</xmp:Rating></rdf:li>'
    packet = make.xmp(elements={"other:Ingredients": f"<rdf:Bag>{inner}</rdf:Bag>"})
    assert facts_of(packet.encode(), SIDECAR).stars is None


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_every_encoding_that_xmp_may_have(encoding: str) -> None:
    packet = make.xmp({"xmp:Rating": "5"}, {"tiff:Model": "Ästuar 7"})
    facts = facts_of(packet.encode(encoding), SIDECAR)
    assert (facts.stars, facts.camera, facts.problem) == (5, "Ästuar 7", "")


def test_an_encoding_that_the_packet_declares_is_not_believed() -> None:
    packet = '<?xml version="1.0" encoding="zlib_codec"?>' + make.xmp({"xmp:Rating": "5"})
    assert facts_of(packet.encode(), SIDECAR).stars == 5


def test_a_dtd_is_refused_before_its_entities_do_anything() -> None:
    entities = "".join(f'<!ENTITY {chr(98 + n)} "{f"&{chr(97 + n)};" * 20}">' for n in range(12))
    packet = f'<!DOCTYPE x [<!ENTITY a "aaaa">{entities}]>' + make.xmp({"xmp:Rating": "5"})
    facts = facts_of(packet.encode(), SIDECAR)
    assert facts.stars is None
    assert "DTD" in facts.problem


def test_a_packet_that_breaks_off_keeps_what_came_before_and_says_where() -> None:
    packet = make.xmp({"xmp:Rating": "2"}, {"tiff:Model": "Estuary 7"})
    facts = facts_of(packet[: packet.index("</tiff:Model>")].encode(), SIDECAR)
    assert (facts.stars, facts.camera) == (2, "")
    assert "breaks off" in facts.problem


def test_padding_behind_the_packet_is_no_problem() -> None:
    facts = facts_of(make.xmp({"xmp:Rating": "2"}).encode() + b" \n" * 500 + b"\0" * 10 + b"<?x", SIDECAR)
    assert (facts.stars, facts.problem) == (2, "")


@pytest.mark.parametrize("content", [b"\0" * 50, b"   \n", b"not XML", b"\xff\xd8\xff\xe0 a picture"])
def test_a_sidecar_that_is_no_xmp_is_still_a_sidecar(content: bytes) -> None:
    facts = facts_of(content, SIDECAR)
    assert (facts.kind, facts.format, facts.stars) == (Kind.SIDECAR, "xmp", None)
    assert facts.problem != ""


@pytest.mark.parametrize("date", ["2026", "2026-01", "2026-01-31", "2026-01-31T16:04Z"])
def test_a_date_without_seconds_is_allowed_but_no_capture_time(date: str) -> None:
    facts = facts_of(make.xmp({"photoshop:DateCreated": date}).encode(), SIDECAR)
    assert (facts.captured, facts.problem) == (None, "")
