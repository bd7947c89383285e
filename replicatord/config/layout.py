"""Reads a layout, the pattern that a tier's copies are laid out by, and refuses one that could do harm.

May not look at frames or drives: `rules.paths` makes the paths.
"""

from __future__ import annotations

import re
from types import MappingProxyType
from typing import Final

from replicatord.config.problem import Mistake, WrongValue, listed, nearest_of, quoted
from replicatord.model.settings import Layout

WORDS: Final = MappingProxyType(
    {
        "year": "the year it was taken, or of the trip",
        "month": "the month in two digits",
        "day": "the day in two digits",
        "name": "the file's own name, with its extension",
        "stem": "the name without the extension",
        "ext": "the extension without the dot",
        "format": "jpeg, dng, mp4 ...",
        "kind": "photo, video, audio or other",
        "camera": "the camera's model",
        "source": "the name of the source",
        "folder": "the folder below the source",
        "trip": "the trip's name, nothing outside of trips",
    }
)
HIDDEN_PREFIX: Final = ".replicatord"  # each drive's own folder begins so; rules.paths names the same one
TEXT_MAX_CHARS: Final = 500
PARTS_MAX: Final = 20
LITERAL_MAX_BYTES: Final = 120  # of a part's own text: a name has 255 (NAME_MAX), and the rest is the frame's

_WORD: Final = re.compile(r"(\{[^{}]*\})")
_UNFIT: Final = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_MAY_BE_EMPTY: Final = frozenset({"trip", "folder", "ext"})  # the others always have a value
_NUMBERS: Final = frozenset({"year", "month", "day"})  # words whose values are always digits

_Part = tuple[tuple[bool, str], ...]


def parse_layout(text: str) -> Layout:
    """Give the parts of a layout. Raises WrongValue with every mistake in it.

    What is accepted stays on the drive, outside of the drive's own folder, and tells a frame's files apart.
    """
    mistakes = _whole_mistakes(text)
    if mistakes:
        raise WrongValue(*mistakes)
    texts = text.split("/")
    for part in texts:
        mistakes += _part_mistakes(part)
    parts = tuple(_part(part) for part in texts)
    if not mistakes and not _names_a_file(parts[-1]):
        found = f"{quoted(text)}, whose last part is {quoted(texts[-1])}"
        expected = "{name}, or both {stem} and {ext}, in the last part: else two files would fall on one path"
        mistakes.append(Mistake(found=found, expected=expected))
    if mistakes:
        raise WrongValue(*mistakes)
    return Layout(text=text, parts=parts)


def _whole_mistakes(text: str) -> list[Mistake]:
    """Find what is wrong with the text before it is taken apart."""
    found = quoted(text)
    mistakes = []
    if len(text) > TEXT_MAX_CHARS or text.count("/") >= PARTS_MAX:
        expected = f"a layout of at most {TEXT_MAX_CHARS} characters and {PARTS_MAX} parts"
        mistakes.append(Mistake(found=found, expected=expected))
    if not text or _UNFIT.search(text):
        mistakes.append(Mistake(found=found, expected="a layout without control characters"))
    if text.startswith("/"):
        expected = "a layout that does not begin with /: it lies below the drive's root"
        mistakes.append(
            Mistake(found=found, expected=expected, nearest=text.lstrip("/")[:TEXT_MAX_CHARS] or None)
        )
    if "\\" in text:
        mistakes.append(Mistake(found=found, expected="/ between folders", nearest=text.replace("\\", "/")))
    return mistakes


def _part_mistakes(part: str) -> list[Mistake]:
    """Find what is wrong with what stands between two slashes."""
    if not part:
        return [
            Mistake(found="an empty part in the layout", expected="one / between folders and none at the end")
        ]
    if part in (".", ".."):
        return [Mistake(found=f"the part {quoted(part)}", expected="folders below the drive's root")]
    mistakes = []
    literal = _WORD.sub("", part)
    if "{" in literal or "}" in literal:
        expected = "each word between one { and one }"
        mistakes.append(Mistake(found=f"unpaired braces in {quoted(part)}", expected=expected))
    for word in _WORD.findall(part):
        name = word[1:-1]
        if name not in WORDS:
            nearest = nearest_of(name.strip(), WORDS)
            expected = f"one of the words {listed(f'{{{known}}}' for known in WORDS)}"
            braced = f"{{{nearest}}}" if nearest else None
            mistakes.append(Mistake(found=f"the word {quoted(word)}", expected=expected, nearest=braced))
    if part != part.strip():
        mistakes.append(Mistake(found=f"a blank at an end of {quoted(part)}", expected="no blank beside a /"))
    if len(literal.encode("utf-8", "replace")) > LITERAL_MAX_BYTES:
        expected = f"at most {LITERAL_MAX_BYTES} bytes of text in a part, which leaves room for the name"
        mistakes.append(Mistake(found=quoted(part), expected=expected))
    if _may_be_hidden(_part(part)):
        expected = f"a name that cannot become {HIDDEN_PREFIX}, the drive's own folder"
        mistakes.append(Mistake(found=f"the part {quoted(part)}", expected=expected))
    return mistakes


def _part(text: str) -> _Part:
    pieces = (piece for piece in _WORD.split(text) if piece)
    return tuple((True, p[1:-1]) if _WORD.fullmatch(p) else (False, p) for p in pieces)


def _names_a_file(part: _Part) -> bool:
    words = {text for is_word, text in part if is_word}
    return "name" in words or {"stem", "ext"} <= words


def _may_be_hidden(part: _Part) -> bool:
    """Tell whether the part's own text could make it begin as the drive's hidden folder does.

    A word in front may be empty ({trip} outside of trips), a word behind may bring the rest (".{name}").
    What a word's own value can do, `rules.paths` disarms. Case does not count: exFAT and NTFS fold it.
    """
    pieces = list(part)
    while pieces and pieces[0][0] and pieces[0][1] in _MAY_BE_EMPTY:
        pieces.pop(0)
    begin = ""
    for is_word, text in pieces:
        if begin.startswith(HIDDEN_PREFIX):
            return True
        if is_word and text in _NUMBERS:
            return False  # digits never go on to spell the folder's name
        if is_word:
            return begin != "" and HIDDEN_PREFIX.startswith(begin)
        begin += text.casefold()
    return begin.startswith(HIDDEN_PREFIX)
