"""The licence note that lies in every pack."""

from __future__ import annotations

from collections.abc import Mapping

from nearkey.language.info import PackInfo

__all__ = ["licence_text"]


def licence_text(info: PackInfo, notices: Mapping[str, str] | None = None) -> str:
    """LICENCE.md of a pack: its own licence, each source with its licence and attribution, and the
    `notices` (source title to text) that sources want passed on."""
    lines = [
        f"# Licence of the language pack “{info.title}” ({info.name} {info.version})",
        "",
        f"This pack holds words and probabilities estimated from the sources below. It is licensed under"
        f" **{info.licence}**. It holds none of their texts. The program that reads it has a licence of"
        " its own.",
        "",
        "| source | licence | attribution |",
        "|---|---|---|",
    ]
    lines += [
        f"| {source.title} | {source.licence} | {source.attribution} |" for source in info.sources
    ]
    if info.held_out and not any(source.kind == "adapt" for source in info.sources):
        titles = "; ".join(record.title for record in info.held_out)
        lines += ["", f"Used for evaluation only, with nothing of it in the pack: {titles}."]
    for title, notice in (notices or {}).items():
        lines += ["", f"## {title}", "", notice.strip()]
    return "\n".join(lines) + "\n"
