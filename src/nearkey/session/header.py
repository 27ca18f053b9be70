"""A journal's first line: what the session ran with."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal

import msgspec

from nearkey.session.protocols import LiveDecoder
from nearkey.session.settings import Settings
from nearkey.session.spacing import Spacing

__all__ = ["FORMAT", "VERSION", "Header", "SpacingLine", "header_of", "settings_of", "utc_now"]

FORMAT = "nearkey-journal"
VERSION = 1
CAUTION = "private: holds what a person typed and where they touched"

Count = Annotated[int, msgspec.Meta(ge=0)]
Ordinal = Annotated[int, msgspec.Meta(ge=1)]


class SpacingLine(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The `Spacing` of the session."""

    closers: str
    openers: str
    joiners: str
    quotes: str


class Header(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """started : UTC, ISO 8601. layout : its name. pack, pack_version : "" where the pack has none."""

    format: Literal["nearkey-journal"] = "nearkey-journal"
    version: Ordinal = VERSION
    caution: str = CAUTION
    started: str
    layout: str
    pack: str
    pack_version: str
    k: Ordinal
    undo_limit: Count | None
    context_chars: Ordinal
    spacing: SpacingLine


def utc_now() -> str:
    """The time of day, UTC, ISO 8601, to the second."""
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def header_of(decoder: LiveDecoder, settings: Settings) -> Header:
    """The header of a session that begins now."""
    info: Any = getattr(getattr(decoder, "pack", None), "info", None)
    spacing = settings.spacing
    return Header(
        started=utc_now(),
        layout=decoder.layout.name,
        pack=str(getattr(info, "name", "") or ""),
        pack_version=str(getattr(info, "version", "") or ""),
        k=settings.k,
        undo_limit=settings.undo_limit,
        context_chars=settings.context_chars,
        spacing=SpacingLine(
            closers=spacing.closers,
            openers=spacing.openers,
            joiners=spacing.joiners,
            quotes=spacing.quotes,
        ),
    )


def settings_of(header: Header) -> Settings:
    """The settings a header holds."""
    spacing = header.spacing
    return Settings(
        k=header.k,
        undo_limit=header.undo_limit,
        context_chars=header.context_chars,
        spacing=Spacing(
            closers=spacing.closers,
            openers=spacing.openers,
            joiners=spacing.joiners,
            quotes=spacing.quotes,
        ),
    )
