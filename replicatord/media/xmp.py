"""Stars, capture time and camera of an XMP packet, wherever it was found.

Matches namespaces, never prefixes, and only properties of the resource itself, not those of its history
or ingredients. Refuses a DTD before expat acts on it: no packet needs one, and bombs are made of them.
Sources: ISO 16684-1:2019 (data model, serialization, xmp:Rating, UTF-8/16/32); the names in the exif, tiff
and photoshop namespaces: ISO 16684-1 and CIPA DC-010.
"""

from __future__ import annotations

import codecs
import re
from typing import TYPE_CHECKING, Final
from xml.parsers import expat

from replicatord.media.found import Found, clean_text, shown, time_part
from replicatord.media.times import parse_exif_time
from replicatord.media.window import PIECE_LIMIT_BYTES, NotReadableError, Source, Steps
from replicatord.model.frames import TimeOrigin

if TYPE_CHECKING:
    from collections.abc import Iterator

_RDF: Final = "http://www.w3.org/1999/02/22-rdf-syntax-ns# RDF"  # a blank parts namespace and name
_DESCRIPTION: Final = "http://www.w3.org/1999/02/22-rdf-syntax-ns# Description"
RATING: Final = "http://ns.adobe.com/xap/1.0/ Rating"
MODEL: Final = "http://ns.adobe.com/tiff/1.0/ Model"
TIME_ORIGINAL: Final = "http://ns.adobe.com/exif/1.0/ DateTimeOriginal"
DATE_CREATED: Final = "http://ns.adobe.com/photoshop/1.0/ DateCreated"
EXTENDED: Final = "http://ns.adobe.com/xmp/note/ HasExtendedXMP"
_WANTED: Final = frozenset({RATING, MODEL, TIME_ORIGINAL, DATE_CREATED, EXTENDED})

_DEPTH_MAX: Final = 64  # elements in elements: real packets stay under 20
_ELEMENTS_MAX: Final = 200_000  # brush strokes of an edit are one element each; a fifth of a second's work
_TEXT_MAX_CHARS: Final = 256  # of one value or namespace
_PIECE_BYTES: Final = 65536  # expat is fed in pieces, so that a DTD stops it early
_NUMBER: Final = re.compile(r"[+-]?\d{1,9}(?:\.\d{0,9})?", re.ASCII)
_MARKS: Final = (  # UTF-32 before UTF-16: its little-endian mark starts with that of UTF-16
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
    (b"<\0", "utf-16-le"),
    (b"\0<\0", "utf-16-be"),
)


def read_xmp(source: Source) -> Iterator[Found]:
    """Give what a packet says; see `found_in`."""
    yield found_in(read_properties(source))


def found_in(properties: Properties) -> Found:
    """Turn the properties of a packet into facts: what is out of range is not recorded, and is named."""
    parts = [_rating(properties.values.get(RATING, ""))]
    for name in (TIME_ORIGINAL, DATE_CREATED):
        text = properties.values.get(name, "")
        moment = parse_exif_time(text)
        if moment is not None or not _is_date_only(text):
            parts.append(time_part(text, moment, TimeOrigin.XMP))
    return Found(
        times=tuple(time for part in parts for time in part.times),
        camera=clean_text(properties.values.get(MODEL, "").encode()),
        stars=parts[0].stars,
        problems=(*(problem for part in parts for problem in part.problems), *properties.problems),
    )


class Properties:
    """The wanted properties of the resource that a packet describes, by "namespace name".

    Resolves prefixes by itself: expat's own way writes the namespace out for every attribute, which makes a
    small packet with one long namespace cost gigabytes.
    """

    def __init__(self) -> None:
        self.values: dict[str, str] = {}
        self.problems: tuple[str, ...] = ()
        self.is_closed = False  # the root element came to its end: what follows is padding
        self._steps = Steps(_ELEMENTS_MAX, "elements in its XMP")
        self._open: list[str] = []
        self._text: list[str] | None = None  # of the wanted element that is open
        self._spaces: dict[str, list[str]] = {}  # prefix: namespaces it stands for, the innermost last
        self._declared: list[list[str]] = []  # prefixes that each open element declared

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """Take an element's start; called by expat."""
        self._steps.take()
        if len(self._open) >= _DEPTH_MAX:
            raise NotReadableError(f"its XMP nests deeper than {_DEPTH_MAX} elements")
        self._declare(attributes)
        name = self._resolve(tag)
        if name == _DESCRIPTION and self._open[-1:] == [_RDF]:
            for key, value in attributes.items():
                if ":" in key and (wanted := self._resolve(key)) in _WANTED:
                    self.values.setdefault(wanted, value[:_TEXT_MAX_CHARS].strip())
        is_property = self._open[-2:] == [_RDF, _DESCRIPTION]
        self._text = [] if is_property and name in _WANTED else None
        self._open.append(name)

    def text(self, text: str) -> None:
        """Take text; called by expat, maybe in many small parts."""
        if self._text is not None and len(self._text) < _TEXT_MAX_CHARS:
            self._text.append(text[:_TEXT_MAX_CHARS])

    def end(self, _: str) -> None:
        """Take an element's end; called by expat."""
        name = self._open.pop()
        for prefix in self._declared.pop():
            self._spaces[prefix].pop()
        if self._text is not None:
            self.values.setdefault(name, "".join(self._text).strip()[:_TEXT_MAX_CHARS])
            self._text = None
        self.is_closed = not self._open

    def _declare(self, attributes: dict[str, str]) -> None:
        prefixes = []
        for key, value in attributes.items():
            if key == "xmlns" or key.startswith("xmlns:"):
                prefix = key[6:]  # "" is the default namespace
                self._spaces.setdefault(prefix, []).append(value[:_TEXT_MAX_CHARS])
                prefixes.append(prefix)
        self._declared.append(prefixes)

    def _resolve(self, tag: str) -> str:
        """Give "namespace name" of a name with a prefix; the bare name where the prefix means nothing."""
        prefix, colon, name = tag.rpartition(":")
        spaces = self._spaces.get(prefix if colon else "")
        return f"{spaces[-1]} {name}" if spaces else tag[:_TEXT_MAX_CHARS]


def read_properties(source: Source) -> Properties:
    """Parse a packet; what stands before a break in it is kept, and the break is named in `problems`.

    Raises: NotReadableError when its bytes cannot be read.
    """
    content, problems = _as_utf8(source)
    properties = Properties()
    parser = expat.ParserCreate(encoding="UTF-8")
    parser.buffer_text = True
    parser.StartElementHandler = properties.start
    parser.EndElementHandler = properties.end
    parser.CharacterDataHandler = properties.text
    parser.StartDoctypeDeclHandler = _refuse_dtd
    try:
        for at in range(0, len(content), _PIECE_BYTES):
            parser.Parse(content[at : at + _PIECE_BYTES], at + _PIECE_BYTES >= len(content))
    except NotReadableError as why:
        problems = (*problems, str(why))
    except expat.ExpatError as why:
        if not properties.is_closed:  # behind the end, padding is often not XML
            problems = (*problems, f"its XMP breaks off: {expat.ErrorString(why.code)}, line {why.lineno}")
    properties.problems = problems
    return properties


def _refuse_dtd(*_: object) -> None:
    raise NotReadableError("its XMP holds a DTD, which is not read because no XMP needs one")


def _as_utf8(source: Source) -> tuple[bytes, tuple[str, ...]]:
    """Read a packet and give it in UTF-8 whatever it declares, and what was wrong on the way."""
    content = source.read(0, min(source.size_bytes, PIECE_LIMIT_BYTES))
    problems: tuple[str, ...] = ()
    if source.size_bytes > PIECE_LIMIT_BYTES:
        problems = (f"its XMP is longer than {PIECE_LIMIT_BYTES} bytes and was read to there",)
    encoding = next((name for mark, name in _MARKS if content.startswith(mark)), "utf-8")
    if encoding == "utf-8":
        content = content.lstrip(b"\xef\xbb\xbf \t\r\n\0")
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError:
        text = content.decode(encoding, "replace")  # what we look for is ASCII: one bad byte hides no star
        problems = (*problems, f"its XMP is not {encoding.upper()} throughout")
    text = text.lstrip("\ufeff \t\r\n\0").rstrip(" \t\r\n\0")
    if not text:
        return b"", (*problems, "its XMP is empty")
    return text.encode("utf-8", "replace"), problems


def _rating(text: str) -> Found:
    """Read xmp:Rating: -1, or 0 to 5, maybe written as a real number (ISO 16684-1)."""
    if not text:
        return Found()
    value = float(text) if _NUMBER.fullmatch(text) else None
    if value is None or not value.is_integer() or not -1 <= value <= 5:
        return Found(problems=(f"its xmp:Rating {shown(text)} is not one of -1 to 5",))
    return Found(stars=int(value))


def _is_date_only(text: str) -> bool:
    """Whether this is one of XMP's shorter dates: allowed, but they do not say when in the day."""
    return re.fullmatch(r"\d{4}(-\d\d(-\d\d(T\d\d:\d\d(Z|[+-]\d\d:?\d\d)?)?)?)?", text, re.ASCII) is not None
