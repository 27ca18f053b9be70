"""The licence note that lies in every pack."""

from __future__ import annotations

from nearkey.language.info import PackInfo

__all__ = ["licence_text"]


def licence_text(info: PackInfo) -> str:
    """LICENCE.md of a pack: its own licence, then each source with its licence and attribution."""
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
    return "\n".join(lines) + "\n"
