"""Reads YAML text into plain values, and remembers where each of them stands.

A narrow, predictable part of YAML 1.2.2: text stays text, and only `true`, `false`, `null`, decimal integers
and plain decimals are anything else. Whatever reads differently in YAML 1.1 and 1.2, or could hide something
(anchors, tags, merge keys, equal keys), is refused with its place.

May not know what the settings mean, and may not touch the file system.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Final, TypeAlias

import yaml

from replicatord.config.problem import Problem, SettingsProblems, quoted

if TYPE_CHECKING:
    from collections.abc import Mapping

SIZE_MAX_BYTES: Final = (
    1_048_576  # 1 MiB; a real file has a few kilobytes, so this one is not a settings file
)
DEPTH_MAX: Final = 12  # the settings nest four deep; the composer recurses, so this guards the stack too
NODES_MAX: Final = 20_000  # about two seconds of work for the pure Python scanner

Path: TypeAlias = tuple[str | int, ...]  # ("tiers", "best", "to", 0); () is the whole document


@dataclass(frozen=True, slots=True, kw_only=True)
class Numeral:
    """A plain number, with the digits as typed: where text is meant, 1.10 must stay "1.10"."""

    text: str
    value: int | Decimal


Value: TypeAlias = "str | bool | Numeral | list[Value] | dict[str, Value] | None"


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A place in the file. Both count from 1, the column in characters."""

    line: int
    column: int


_START: Final = Mark(line=1, column=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a key and its value stand. Without a key (list items, the document) both are the value's."""

    key: Mark
    value: Mark


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """What was read. `problems` did not stop the reading: equal keys, keys that are not text."""

    file: str
    values: Mapping[str, Value]
    places: Mapping[Path, Place]
    problems: tuple[Problem, ...]


def load_document(data: bytes, *, file: str) -> Document:
    """Read one YAML document whose root is a mapping. `file` is only the name to say in problems.

    Raises SettingsProblems with exactly one problem when the text cannot be read on.
    Source: YAML 1.2.2, of which this takes a part; the bounds are ours.
    """
    text = _decoded(data, file)
    loader = _StrictLoader(text, file)
    try:
        root = loader.compose_only_document()
    except yaml.MarkedYAMLError as error:
        raise _explained(error, file, text) from error
    except (yaml.YAMLError, ValueError, OverflowError) as error:
        # An escape beyond Unicode ("\UFFFFFFFF") reaches chr(), a directive with a huge number reaches int().
        raise _problems(
            file, _mark(loader.get_mark()), "text that is not YAML", "text as in the example"
        ) from error
    finally:
        loader.dispose()
    if not isinstance(root, yaml.MappingNode):
        raise _problems(
            file, _mark(root.start_mark), "a file without keys", "lines such as `studio: Tidewrack Studio`"
        )
    walk = _Walk(file)
    values = walk.mapping(root, ())
    start = _mark(root.start_mark)
    walk.places[()] = Place(key=start, value=start)
    return Document(file=file, values=values, places=walk.places, problems=tuple(walk.problems))


# ---- text ----

# What may not stand in the file: all that YAML 1.2.2 c-printable (production 1) leaves out, tabs, C1 controls
# and the line separators that YAML 1.1 counts as line ends and YAML 1.2 does not. UTF-8 holds no surrogates.
_UNFIT: Final = re.compile("[\x00-\x09\x0b\x0c\x0e-\x1f\x7f-\x9f\u2028\u2029\ufeff\ufffe\uffff]")
_LINE_END: Final = re.compile(r"\r\n|\r|\n")


def _decoded(data: bytes, file: str) -> str:
    if len(data) > SIZE_MAX_BYTES:
        raise _problems(
            file, _START, f"more than {SIZE_MAX_BYTES} bytes", "a settings file, which has a few thousand"
        )
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8")
        found = f"the byte 0x{data[error.start]:02x}, which is not UTF-8 text"
        raise _problems(file, _mark_after(before), found, "a file saved as UTF-8") from error
    text = text.removeprefix("\ufeff")  # some editors begin a UTF-8 file with a byte order mark
    unfit = _UNFIT.search(text)
    if unfit is None:
        return text
    mark = _mark_after(text[: unfit.start()])
    if unfit.group() == "\t":
        raise _problems(file, mark, "a tab", "blanks: YAML does not indent with tabs")
    found = f"the control character U+{ord(unfit.group()):04X}"
    raise _problems(file, mark, found, "text without control characters")


def _mark_after(before: str) -> Mark:
    lines = _LINE_END.split(before)
    return Mark(line=len(lines), column=len(lines[-1]) + 1)


# ---- nodes ----


class _StrictLoader(yaml.SafeLoader):
    """PyYAML's pure Python scanner and parser, of which only the composing of nodes is used."""

    def __init__(self, text: str, file: str) -> None:
        super().__init__(text)
        self._file = file
        self._depth = 0
        self._nodes = 0

    def compose_only_document(self) -> yaml.Node:
        """Give the root node of the one document. Raises SettingsProblems or yaml.YAMLError."""
        self.get_event()  # type: ignore[no-untyped-call]  # the stubs leave it out; the start of the stream
        start = self._next()
        if isinstance(start, yaml.StreamEndEvent):
            raise _problems(self._file, _START, "an empty file", "settings, as in the example")
        if isinstance(start, yaml.DocumentStartEvent) and (start.version or start.tags):
            self._refuse(start, "a directive (a line that begins with %)", "settings only")
        root = self.compose_document()
        if root is None:
            raise _problems(self._file, _START, "an empty file", "settings, as in the example")
        if not isinstance(self._next(), yaml.StreamEndEvent):
            self._refuse(self._next(), "a second document (---)", "one document in a file")
        return root

    def compose_node(self, parent: yaml.Node | None, index: object) -> yaml.Node | None:
        """Refuse what could hide something before it is composed, then compose."""
        event = self._next()
        self._check(event)
        self._nodes += 1
        self._depth += 1
        if self._nodes > NODES_MAX:
            self._refuse(event, f"more than {NODES_MAX} values", "a settings file, which has a few hundred")
        if self._depth > DEPTH_MAX:
            self._refuse(event, f"more than {DEPTH_MAX} levels of nesting", "settings, which nest four deep")
        try:
            return super().compose_node(parent, index)  # type: ignore[arg-type]  # the stubs want no index at the root
        finally:
            self._depth -= 1

    def _next(self) -> yaml.Event:
        event: yaml.Event = self.peek_event()  # type: ignore[no-untyped-call]  # the stubs leave it out
        return event

    def _check(self, event: yaml.Event) -> None:
        if isinstance(event, yaml.AliasEvent):
            expected = "every value written out; a pattern that begins with * goes in quotes, as '*.tmp'"
            self._refuse(event, f"the alias {quoted(f'*{event.anchor}')}", expected)
        expected = "plain values; text that begins with ! or & goes in quotes"
        if isinstance(event, yaml.NodeEvent) and event.anchor is not None:
            self._refuse(event, f"the anchor {quoted(f'&{event.anchor}')}", expected)
        if isinstance(event, yaml.ScalarEvent | yaml.CollectionStartEvent) and event.tag is not None:
            self._refuse(event, f"the tag {quoted(str(event.tag))}", expected)

    def _refuse(self, event: yaml.Event, found: str, expected: str) -> None:
        raise _problems(self._file, _mark(event.start_mark), found, expected)


# ---- values ----

_MERGE: Final = "<<"
# YAML 1.2.2, 10.3.2 "Tag Resolution", cut down to spellings that YAML 1.1 reads alike. 18 digits: what an
# SQLite integer surely holds.
_INTEGER: Final = re.compile(r"[-+]?(?:0|[1-9][0-9]{0,17})")
_DECIMAL: Final = re.compile(r"[-+]?(?:0|[1-9][0-9]{0,17})\.[0-9]{1,18}")
_WORDS: Final[Mapping[str, bool | None]] = {"true": True, "false": False, "null": None, "~": None, "": None}
# What an escape in double quotes can still bring in: controls, line ends, half surrogates.
_UNFIT_VALUE: Final = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")


def resolve_plain(text: str) -> Value:
    """Give what an unquoted scalar stands for.

    Source: YAML 1.2.2, section 10.3.2 (core schema), of which this reads fewer spellings as something
    other than text.
    """
    if text in _WORDS:
        return _WORDS[text]
    if _INTEGER.fullmatch(text):
        return Numeral(text=text, value=int(text))
    if _DECIMAL.fullmatch(text):
        return Numeral(text=text, value=Decimal(text))
    return text


class _Walk:
    """Turns nodes into values and collects where they stand. Depth is bounded by the loader."""

    def __init__(self, file: str) -> None:
        self._file = file
        self.places: dict[Path, Place] = {}
        self.problems: list[Problem] = []

    def mapping(self, node: yaml.MappingNode, path: Path) -> dict[str, Value]:
        """Give the values of a mapping; of equal keys the first counts, and the second is a problem."""
        values: dict[str, Value] = {}
        for key_node, value_node in node.value:
            key = self._key(key_node)
            if key is None:
                continue
            here = (*path, key)
            mark = _mark(key_node.start_mark)
            if key in values:
                first = self.places[here].key
                found = f"the key {quoted(key)} a second time"
                self._add(mark, found, f"each key once: the first is in line {first.line}")
                continue
            self.places[here] = Place(key=mark, value=_mark(value_node.start_mark))
            values[key] = self._value(value_node, here)
        return values

    def _value(self, node: yaml.Node, path: Path) -> Value:
        if isinstance(node, yaml.MappingNode):
            return self.mapping(node, path)
        if isinstance(node, yaml.SequenceNode):
            return [self._item(item, (*path, index)) for index, item in enumerate(node.value)]
        text = self._text(node)
        is_plain = isinstance(node, yaml.ScalarNode) and node.style is None
        return resolve_plain(text) if is_plain else text

    def _item(self, node: yaml.Node, path: Path) -> Value:
        mark = _mark(node.start_mark)
        self.places[path] = Place(key=mark, value=mark)
        return self._value(node, path)

    def _key(self, node: yaml.Node) -> str | None:
        """Give a key's text, or None after noting why it is no key."""
        mark = _mark(node.start_mark)
        if not isinstance(node, yaml.ScalarNode):
            self._add(mark, "a list or a group as a key", "a word as a key")
            return None
        text = self._text(node)
        if node.style is not None:
            return text
        if text == _MERGE:
            self._add(mark, "the merge key <<", "every value written out")
            return None
        if not isinstance(resolve_plain(text), str):
            found = f"the key {text}, which is not text" if text else "no key before the ':'"
            self._add(
                mark,
                found,
                "a word as a key, in quotes if it looks like a number",
                f'"{text}"' if text else None,
            )
            return None
        return text

    def _text(self, node: yaml.Node) -> str:
        text = str(node.value)
        unfit = _UNFIT_VALUE.search(text)
        if unfit is not None:
            found = f"the character U+{ord(unfit.group()):04X} inside {quoted(text)}"
            raise _problems(
                self._file, _mark(node.start_mark), found, "text on one line, without control characters"
            )
        return text

    def _add(self, mark: Mark, found: str, expected: str, nearest: str | None = None) -> None:
        self.problems.append(
            Problem(
                file=self._file,
                line=mark.line,
                column=mark.column,
                found=found,
                expected=expected,
                nearest=nearest,
            )
        )


# ---- what the parser stopped at, in words ----

_INDENT: Final = "lines of one group that begin in the same column, and text with ': ' in it in quotes"
_QUOTES: Final = "; text with ? [ ] { or } in it goes in quotes"  # PyYAML ends plain text at a ? too
# (part of PyYAML's message, what was found, what is expected). The first that fits is used.
_MESSAGES: Final = (
    ("scanning an alias", "a value that begins with *", "quotes around it, as '*.tmp'"),
    ("scanning an anchor", "a value that begins with &", "quotes around it"),
    ("scanning a tag", "a value that begins with !", "quotes around it"),
    ("parsing a tag", "a value that begins with !", "quotes around it"),
    ("scanning a directive", "a line that begins with %", "settings only"),
    ("scanning a block scalar", "a | or > that text does not follow", "text in quotes"),
    ("unknown escape character", "a backslash that YAML does not know inside double quotes", "single quotes"),
    ("escape sequence of", "a backslash that YAML does not know inside double quotes", "single quotes"),
    ("scanning a quoted scalar", "a quote that is not closed", "the same quote at the end of the text"),
    ("could not find expected ':'", "a line without ':'", "`key: value`"),
    ("cannot start any token", "a value that begins with a special character", "quotes around it"),
    ("mapping values are not allowed", "a ':' where none can stand", _INDENT),
    ("parsing a flow sequence", "a list that does not go on", f"a ',' or the ']' that ends it{_QUOTES}"),
    ("parsing a flow mapping", "a group that does not go on", f"a ',' or the '}}' that ends it{_QUOTES}"),
    ("parsing a flow node", "a ':', ',' or bracket where none can stand", "a value"),
    ("parsing a block", "a line that belongs to no group", _INDENT),
    ("not allowed here", "a '-' where none can stand", _INDENT),
    ("expected '<document start>'", "something after the end of the settings", _INDENT),
)  # fmt: skip
_BRACE_AS_TEXT: Final = re.compile(r":\s+\{\w*\}\s*[^\s,#}\]]")


def _explained(error: yaml.MarkedYAMLError, file: str, text: str) -> SettingsProblems:
    """Say in a settings file's words what the parser stopped at."""
    message = f"{error.context or ''}: {error.problem or ''}"
    place = _mark(error.problem_mark or error.context_mark)
    line = [*_LINE_END.split(text), ""][place.line - 1]
    if _BRACE_AS_TEXT.search(line):  # layout: {year}/{name}
        return _problems(file, place, "text that begins with { and stands without quotes", "quotes around it")
    for part, found, expected in _MESSAGES:
        if part in message:
            # A quote that is not closed, or a line without a colon, is wrong where it begins.
            begins = part.startswith(("scanning", "could not find"))
            return _problems(file, _mark(error.context_mark) if begins else place, found, expected)
    return _problems(file, place, f"text that is not YAML ({error.problem})", "text as in the example")


def _mark(mark: object) -> Mark:
    """Give a mark of PyYAML, which counts from 0, as one that counts from 1."""
    return Mark(line=getattr(mark, "line", 0) + 1, column=getattr(mark, "column", 0) + 1)


def _problems(file: str, mark: Mark, found: str, expected: str) -> SettingsProblems:
    problem = Problem(file=file, line=mark.line, column=mark.column, found=found, expected=expected)
    return SettingsProblems((problem,))
