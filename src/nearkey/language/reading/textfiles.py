"""Readers of text files, and of collections in shapes of their own: mail folders, Sword Bible modules, bare tables.

Each yields lines of running text and counts what it dropped.
"""

from __future__ import annotations

import codecs
import csv
import email
import email.policy
import gzip
import io
import os
import re
import struct
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from importlib import import_module
from itertools import chain
from pathlib import Path
from typing import IO, Any, cast
from xml.etree import ElementTree

from nearkey.errors import PackError
from nearkey.extras import library
from nearkey.schema import parse_json

MAX_LINE_BYTES = 1 << 20
"""A longer line is cut at white space; one without white space over this length is no text."""
_WHITE_SPACE = re.compile(rb"\s")


@dataclass(slots=True)
class ReadReport:
    """What a reader took and what it dropped, by reason; and the texts of warnings."""

    files: int = 0
    lines: int = 0
    dropped: Counter[str] = field(default_factory=Counter)

    def drop(self, reason: str, count: int = 1) -> None:
        """Count what was dropped, and why."""
        self.dropped[reason] += count


@dataclass(frozen=True, slots=True)
class ReadOptions:
    """How to read one source: its encoding, what to do with undecodable lines, the text's column."""

    encoding: str = "utf-8"
    undecodable: str = "error"
    column: str = "text"


LineReader = Callable[[Path, ReadOptions, ReadReport], Iterator[str]]
"""Every reader here takes a file's path, how to read it, and a report to which it adds what it dropped; it raises
PackError naming file, line and byte for what cannot be read."""


def unreadable(
    problem: str, path: str | os.PathLike[str], fix: str, place: str | None = None
) -> PackError:
    """The error for a file that cannot be read; `place` says where in it."""
    return PackError(problem, where=path, field=place, fix=fix)


_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.-]{0,29}")


def no_column(
    column: str, where: str | os.PathLike[str], known: str, *, field: str = "column"
) -> PackError:
    """The error for a table without the text's column; `known` says what to name instead, unless it holds more than
    names: the first line of a table without heads is text, and maybe private."""
    listed, _, names = known.rpartition("one of ")
    if listed == "" and names != known and not all(map(_NAME.fullmatch, names.split(", "))):
        known = "the name or number of the text's column"
    fix = f"set `column` to {known}"
    return PackError(f"has no column {column!r}", where=where, field=field, fix=fix)


def open_binary(path: Path) -> IO[bytes]:
    """Open a file, through gzip if its name ends in .gz."""
    try:
        if path.suffix in (".gz", ".dz"):
            return cast(IO[bytes], gzip.open(path, "rb"))
        return path.open("rb")
    except OSError as fault:
        raise unreadable(
            f"cannot be read: {fault.strerror or fault}", path, "check the path"
        ) from None


def read_plain(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """One sentence, utterance or paragraph a line."""
    for block in read_blocks(path, options, report):
        yield from io.StringIO(block, newline="\n")


def codec_of(encoding: str, path: Path) -> str:
    """Python's own name of an encoding; PackError for one that it does not know."""
    try:
        return codecs.lookup(encoding).name
    except LookupError:
        problem = f"the encoding {encoding!r} is unknown"
        raise unreadable(problem, path, "name one such as utf-8, iso8859-2, cp1251") from None


def read_blocks(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """The text of `read_plain`, about a megabyte of whole lines at a time."""
    number, offset = 0, 0
    wide = codec_of(options.encoding, path).startswith(("utf-16", "utf-32"))
    with open_binary(path) as handle:
        if wide:  # a line's end is no byte of its own
            yield _decoded_whole(handle, path, options)
            return
        try:
            for raw in _whole_lines(handle, path, report):
                if 0 in raw:
                    at = raw.index(0)
                    line = number + raw.count(b"\n", 0, at) + 1
                    place = f"line {line}, byte {offset + at}"
                    problem = "holds zero bytes, so it is not text"
                    fix = "name a text file, or say its encoding (utf-16, perhaps)"
                    raise unreadable(problem, path, fix, place)
                try:
                    text = raw.decode(options.encoding)
                except UnicodeDecodeError:
                    text = _decode_lines(raw, path, number, offset, options, report)
                number += raw.count(b"\n")
                offset += len(raw)
                yield text
        except (gzip.BadGzipFile, EOFError, zlib.error) as fault:
            raise unreadable(f"damaged gzip file: {fault}", path, "fetch it again") from None


def _decoded_whole(handle: IO[bytes], path: Path, options: ReadOptions) -> str:
    try:
        return handle.read().decode(options.encoding)
    except (gzip.BadGzipFile, EOFError, zlib.error) as fault:
        raise unreadable(f"damaged gzip file: {fault}", path, "fetch it again") from None
    except UnicodeDecodeError as fault:
        problem, place = f"not {options.encoding}: {fault.reason}", f"byte {fault.start}"
        raise unreadable(problem, path, "say the text's own encoding", place) from None


def _whole_lines(handle: IO[bytes], path: Path, report: ReadReport) -> Iterator[bytes]:
    """Bytes of whole lines; a line over `MAX_LINE_BYTES` is cut at the next white space."""
    rest = b""
    number = 1
    while more := handle.read(MAX_LINE_BYTES):
        block = rest + more
        line_end = block.find(b"\n")
        while line_end > MAX_LINE_BYTES or (line_end < 0 and len(block) > MAX_LINE_BYTES):
            cut = _WHITE_SPACE.search(block, MAX_LINE_BYTES)
            if cut is None and len(block) > 2 * MAX_LINE_BYTES:
                problem = f"no white space in {MAX_LINE_BYTES} bytes, so it is not running text"
                raise unreadable(problem, path, "name a text file", f"line {number}")
            if cut is None:
                break
            report.drop("over-long line, cut at white space (nothing lost)")
            yield block[: cut.start()] + b"\n"
            block = block[cut.end() :]
            line_end = block.find(b"\n")
        end = block.rfind(b"\n") + 1
        if end:
            number += block.count(b"\n")
            yield block[:end]
        rest = block[end:]
    if rest:
        yield rest


def _decode_lines(
    raw: bytes, path: Path, number: int, offset: int, options: ReadOptions, report: ReadReport
) -> str:
    """The lines that can be decoded, line by line."""
    texts = []
    for line in io.BytesIO(raw):
        number += 1
        try:
            texts.append(line.decode(options.encoding))
        except UnicodeDecodeError as fault:
            if options.undecodable != "drop":
                place = f"line {number}, byte {offset + fault.start}"
                fix = 'say its `encoding` (--encoding), or `undecodable = "drop"` in the recipe'
                problem = f"not {options.encoding}: {fault.reason}"
                raise unreadable(problem, path, fix, place) from None
            report.drop(f"line not {options.encoding}")
        offset += len(line)
    return "".join(texts)


def read_csv(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """A column of a CSV (or, by its name, tab-separated) file with a header line."""
    delimiter = "\t" if ".tsv" in path.name else ","
    rows = csv.reader(read_plain(path, options, report), delimiter=delimiter)
    header = next(_checked_rows(rows, path), None)
    if header is None:
        raise unreadable("is empty", path, "name a file with a header line")
    if options.column not in header:
        raise no_column(options.column, path, f"one of {', '.join(header)}", field="line 1")
    place = header.index(options.column)
    for row in _checked_rows(rows, path):
        if len(row) > place:
            yield row[place]
        else:
            report.drop("row without the text column")


def _checked_rows(rows: Any, path: Path) -> Iterator[list[str]]:
    """The rows of a CSV reader; PackError naming the line where it is no CSV."""
    try:
        yield from rows
    except csv.Error as fault:
        raise unreadable(
            f"not CSV: {fault}", path, "correct the quoting", f"line {rows.line_num}"
        ) from None


def read_json(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """A field of JSON Lines; or, by the name .json, of a JSON array of records, of an object whose values
    are records, or of one record."""
    if ".jsonl" in path.name or ".ndjson" in path.name:
        records: Iterator[Any] = _json_lines(path, options, report)
    else:
        with open_binary(path) as handle:
            content = _decoded_whole(handle, path, options)
        whole = parse_json(content, error=PackError, where=path)
        if isinstance(whole, dict) and whole and all(isinstance(v, dict) for v in whole.values()):
            whole = list(whole.values())
        records = iter(whole if isinstance(whole, list) else [whole])
    for record in records:
        text = record.get(options.column) if isinstance(record, dict) else record
        if isinstance(text, str):
            yield from text.splitlines()
        elif isinstance(text, list):
            yield from (part for part in text if isinstance(part, str))
        else:
            report.drop("record without the text field")


def _json_lines(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[Any]:
    for number, line in enumerate(read_plain(path, options, report), start=1):
        if line.strip():
            yield parse_json(line, error=PackError, where=path, place=f"line {number}")


def read_arrow(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """A string column of a Parquet, Arrow IPC or Feather file, batch by batch."""
    where = os.fspath(path)
    pa = library("pyarrow", extra="data", where=where)
    ipc, pq = import_module("pyarrow.ipc"), import_module("pyarrow.parquet")
    try:
        if path.suffix == ".parquet":
            batches: Iterator[Any] = pq.ParquetFile(path).iter_batches(columns=[options.column])
        else:
            source = pa.memory_map(where)
            try:
                reader = ipc.open_file(source)
                batches = (reader.get_batch(i) for i in range(reader.num_record_batches))
            except pa.ArrowInvalid:
                batches = iter(ipc.open_stream(pa.memory_map(where)))
        for batch in batches:
            for text in batch.column(options.column).to_pylist():
                if isinstance(text, str):
                    yield from text.splitlines()
                else:
                    report.drop("row without text")
    except (pa.ArrowException, KeyError, OSError, UnicodeDecodeError, OverflowError) as fault:
        problem = f"cannot be read: {fault}"
        raise unreadable(problem, path, "check the file and `column`", options.column) from None


def read_fortune(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """Short texts separated by lines that hold one ``%``; a text's lines are joined."""

    def texts() -> Iterator[str]:
        for line in read_plain(path, options, report):
            text = line.strip()
            if text.startswith(("-- ", "--\t")):
                report.drop("line that names a text's author")
            else:
                yield "" if text == "%" else text

    return joined_paragraphs(texts())


def read_paragraphs(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """Paragraphs separated by empty lines; their lines are joined."""
    return joined_paragraphs(line.strip() for line in read_plain(path, options, report))


def joined_paragraphs(lines: Iterable[str]) -> Iterator[str]:
    """Lines between empty ones, joined by spaces."""
    paragraph: list[str] = []
    for line in chain(lines, [""]):
        if line:
            paragraph.append(line)
        elif paragraph:
            yield " ".join(paragraph)
            paragraph = []


# ---- collections ----

_QUOTED = re.compile(r"^\s*(?:[A-Za-z]{0,4}>|\||:|#)")
_SAYS = re.compile(r"\b(?:wrote|writes|said|says):?\s*$|^-+ ?Original Message", re.IGNORECASE)
_FORWARDED = re.compile(
    r"^(?:From|To|Cc|Subject|Date|Sent|URL|Message-ID|Reply-To): ", re.IGNORECASE
)
_FOOTER = re.compile(r"^(?:-- ?$|_{5,}|-{20,}|={20,}|\*{10,})")


def read_mail(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """Paragraphs of a mail's own plain text: no headers, quotes, signatures, lists of links or HTML."""
    message = email.message_from_bytes(path.read_bytes(), policy=email.policy.default)
    assert isinstance(message, EmailMessage)
    body = message.get_body(preferencelist=("plain",))
    if body is None:
        report.drop("mail without plain text")
        return
    charset = str(body.get_param("charset") or "latin-1")
    raw = body.get_payload(decode=True)
    assert isinstance(raw, bytes)
    try:
        text = raw.decode(charset)
    except (LookupError, UnicodeDecodeError):
        report.drop("mail of an unknown character set, read as latin-1 (nothing lost)")
        text = raw.decode("latin-1")
    yield from joined_paragraphs(_own_lines(text, report))


def _own_lines(text: str, report: ReadReport) -> Iterator[str]:
    """The lines of prose that the mail's writer wrote, "" for all others."""
    for line in text.splitlines():
        if _FOOTER.match(line):
            return
        stripped = line.strip()
        if _QUOTED.match(line) or _SAYS.search(line) or _FORWARDED.match(line):
            report.drop("quoted or forwarded line")
            stripped = ""
        elif stripped and not _is_prose(stripped):
            report.drop("line that is not prose")
            stripped = ""
        yield stripped


def _is_prose(line: str) -> bool:
    """Mostly letters and spaces: leaves out tables, code, diffs, rulers and lone addresses."""
    plain = sum(char.isalpha() or char.isspace() for char in line)
    return plain >= 0.8 * len(line) and not line.startswith(("http", "+", "-", "@@"))


_HEADING = re.compile(r"<title\b.*?</title>|<note\b.*?</note>", re.DOTALL)
_BREAK = re.compile(r"<(?:chapter|div|verse|milestone|l|lg|p|lb)\b[^>]*>")
_TAG = re.compile(r"<[^>]+>")


def read_sword(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """Text of a compressed Sword module (zText): `path` is a ``.bzs`` index, its ``.bzz`` lies beside it.

    The index holds 12 bytes per block: offset and size in the data file, size unpacked (u32 each).
    """
    index = path.read_bytes()
    data = path.with_suffix(".bzz").read_bytes()
    if not index or len(index) % 12:
        raise unreadable("not a block index", path, "name a .bzs file")
    for offset, size, unpacked in struct.iter_unpack("<III", index):
        try:
            block = zlib.decompress(data[offset : offset + size])
        except zlib.error as fault:
            raise unreadable(f"damaged block: {fault}", path, "fetch it again") from None
        if len(block) != unpacked:
            raise unreadable("block of a wrong size", path, "fetch it again")
        text = _HEADING.sub("\n", block.decode("utf-8"))
        for line in _TAG.sub("", _BREAK.sub("\n", text)).split("\n"):
            if line.strip():
                yield line.strip()


_EXAMPLE = re.compile(r'"([^"]*)"')


def read_wordnet(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """Explanations (`column` "gloss") or example sentences ("example") of a WordNet data file."""
    for line in read_plain(path, options, report):
        if line.startswith("  "):  # the licence at the head
            continue
        _, bar, text = line.partition(" | ")
        if not bar:
            report.drop("entry without an explanation")
        elif options.column == "example":
            yield from _EXAMPLE.findall(text)
        else:
            yield from (part for part in _EXAMPLE.sub("", text).split(";") if part.strip())


def read_xml(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """Text of the XML elements that `column` names (between spaces), whatever their namespace; of nested
    ones, the outermost. ``div.para`` names the ``div`` elements of the class ``para``, as in XHTML."""
    wanted = frozenset(options.column.split())
    try:
        root = ElementTree.parse(path).getroot()
    except ElementTree.ParseError as fault:
        raise unreadable(f"not XML: {fault}", path, "take it out") from None
    pending = [root]
    while pending:
        element = pending.pop(0)
        if isinstance(element.tag, str) and not wanted.isdisjoint(_xml_names(element)):
            text = " ".join("".join(element.itertext()).split())
            if text:
                yield text
        else:
            pending[:0] = list(element)


def _xml_names(element: ElementTree.Element) -> Iterator[str]:
    """What `read_xml` may call an element: its tag alone, and with each of its classes."""
    tag = element.tag.rpartition("}")[2]
    yield tag
    for name in element.get("class", "").split():
        yield f"{tag}.{name}"


def read_fields(path: Path, options: ReadOptions, report: ReadReport) -> Iterator[str]:
    """One field of lines of tab-separated fields without a header or quoting; `column` is its number,
    from 1. A field that holds only ``-`` is empty."""
    if not options.column.isdecimal() or int(options.column) == 0:
        raise no_column(options.column, path, "the number of a field, from 1")
    place = int(options.column) - 1
    for line in read_plain(path, options, report):
        fields = line.rstrip("\r\n").split("\t")
        text = fields[place].strip() if len(fields) > place else ""
        if text in ("", "-"):
            report.drop("line without the text field")
        else:
            yield text
