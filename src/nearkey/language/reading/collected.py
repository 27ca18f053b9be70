"""Readers of collections that come in shapes of their own: mail folders, Sword Bible modules, bare tables."""

from __future__ import annotations

import email
import email.policy
import re
import struct
import zlib
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path
from xml.etree import ElementTree

from nearkey.language.reading.textfiles import (
    ReadOptions,
    ReadReport,
    joined_paragraphs,
    no_column,
    read_plain,
    unreadable,
)

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
