"""Whether what is estimated from a source may be passed on under a pack's licence.

Licences are SPDX expressions (``CC-BY-SA-4.0``, ``MPL-1.1 OR GPL-2.0-or-later``, ``CC0-1.0 AND PDDL-1.0``); what has no
SPDX id is ``LicenseRef-…``. The table is careful: it says yes only where a licence's own text, or those who publish it,
say so. It is no legal advice.

Sources: Creative Commons, "Compatible Licenses" (adaptations of BY-SA 3.0 may go under BY-SA 4.0, of BY-SA 4.0 under
GPL-3.0 and FAL-1.3) and section 4(b) of BY-SA 2.0 to 3.0 (later versions); sections 2(a) and 3(a) of BY 4.0; sections 6
of GPL-2.0 and 5, 7, 13 of GPL-3.0; section 3 of LGPL-2.1; sections 3.2 and 3.3 of MPL-2.0 and 3.6 of MPL-1.1 (what is
made from the source may go under other terms while the source stays to be had); the Free Software Foundation's
"Various Licenses and Comments about Them" (CC-BY-4.0 and Apache-2.0 with the GPL); the Open Government Licence 3.0
("compatible with the Creative Commons Attribution License 4.0"); the Community Data License Agreement, Sharing 1.0,
section 3.5 ("no obligations or restrictions on Your Use or Publication of Results"; 1.11: results of computing that
hold no more than a trifle of the data). The last two were read in the texts that SPDX publishes.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

PUBLIC = frozenset(
    ("CC0-1.0", "PDDL-1.0", "Unlicense", "0BSD", "MIT-0", "LicenseRef-public-domain")
)
"""Nothing is asked of those who pass it on."""
ANY_USE = frozenset(
    (
        "MIT", "ISC", "BSD-2-Clause", "BSD-3-Clause", "Zlib", "Apache-2.0",
        "OGL-UK-3.0", "CDLA-Sharing-1.0",
        "LicenseRef-any-use", "LicenseRef-SCOWL", "LicenseRef-WordNet-3.0",
    )
)  # fmt: skip
"""Free for any use whose notices are passed on, as LICENCE.md of a pack does."""

_OLD_NAMES = {
    "public domain": "LicenseRef-public-domain",
    "GPL-2": "GPL-2.0-only",
    "GPL-2+": "GPL-2.0-or-later",
    "GPL-3": "GPL-3.0-only",
    "GPL-3+": "GPL-3.0-or-later",
    "LGPL-2.1": "LGPL-2.1-only",
    "LGPL-2.1+": "LGPL-2.1-or-later",
}
UNSTATED = "not stated"

_GPL_2 = frozenset(("GPL-2.0-only", "GPL-2.0-or-later"))
_GPL_3 = frozenset(("GPL-3.0-only", "GPL-3.0-or-later"))
_AGPL = frozenset(("AGPL-3.0-only", "AGPL-3.0-or-later"))
_COPYLEFT: dict[str, frozenset[str]] = {
    "GPL-2.0-only": frozenset(("GPL-2.0-only",)),
    "GPL-2.0-or-later": _GPL_2 | _GPL_3 | _AGPL,
    "GPL-3.0-only": frozenset(("GPL-3.0-only", "AGPL-3.0-only")),
    "GPL-3.0-or-later": _GPL_3 | _AGPL,
    "AGPL-3.0-only": frozenset(("AGPL-3.0-only",)),
    "AGPL-3.0-or-later": _AGPL,
    "LGPL-2.1-only": _GPL_2 | _GPL_3 | {"LGPL-2.1-only"},
    "LGPL-2.1-or-later": _GPL_2 | _GPL_3 | _AGPL | {
        "LGPL-2.1-only", "LGPL-2.1-or-later", "LGPL-3.0-only", "LGPL-3.0-or-later"
    },
    "LGPL-3.0-only": frozenset(("LGPL-3.0-only", "GPL-3.0-only")),
    "LGPL-3.0-or-later": _GPL_3 | {"LGPL-3.0-only", "LGPL-3.0-or-later"},
    "FAL-1.3": frozenset(("FAL-1.3", "CC-BY-SA-4.0")),
    "ODbL-1.0": frozenset(("ODbL-1.0",)),
}  # fmt: skip
"""Licences that ask for one of these in return."""

_CC = re.compile(r"CC-BY(-NC)?(-ND)?(-SA)?-(\d)\.(\d)(-[A-Z]{2,3})?")
_COMMON = (
    "CC0-1.0", "MIT", "CC-BY-4.0", "CC-BY-SA-3.0", "CC-BY-SA-4.0", "GPL-2.0-or-later", "GPL-3.0-only",
    "GPL-3.0-or-later", "AGPL-3.0-only", "CC-BY-NC-SA-4.0",
)  # fmt: skip


def combinable(source: str, pack: str) -> bool | None:
    """Whether material under the licence `source` may become part of a pack under `pack`; None where the table
    does not know the source's licence."""
    source, pack = _plain(source), _plain(pack)
    if pack == UNSTATED or source == pack:
        return True
    for word, first_of in ((" OR ", (True, None, False)), (" AND ", (False, None, True))):
        parts = _split(source, word)
        if len(parts) > 1:
            found = [combinable(part, pack) for part in parts]
            return next(answer for answer in first_of if answer in found)
    if len(_split(pack, " AND ")) > 1:
        return any(combinable(source, part) for part in _split(pack, " AND "))
    return _one_into_one(source, pack)


def _one_into_one(source: str, pack: str) -> bool | None:
    if source in PUBLIC:
        return True
    if source in ANY_USE:
        return pack not in PUBLIC and not (source == "Apache-2.0" and pack == "GPL-2.0-only")
    if source.startswith("MPL-"):
        gpl = pack in _GPL_2 | _GPL_3 | _AGPL
        return pack not in PUBLIC and not (gpl and source == "MPL-1.1")
    if source in _COPYLEFT:
        return pack in _COPYLEFT[source]
    creative = _CC.fullmatch(source)
    if creative is None:
        return None
    own, other = creative, _CC.fullmatch(pack)
    if own[2]:  # no derivatives
        return False
    version = (int(own[4]), int(own[5]))
    if other is None:
        if own[1]:
            return False
        if own[3]:
            return version == (4, 0) and pack in ("GPL-3.0-only", "FAL-1.3")
        return version == (4, 0) and pack in _GPL_2 | _GPL_3 | _AGPL
    if other[2] or bool(own[1]) > bool(other[1]):
        return False
    if own[3]:
        later = (int(other[4]), int(other[5])) >= version and version > (1, 0)
        return bool(other[3]) and bool(own[1]) == bool(other[1]) and later
    return True


def possible_licences(sources: Iterable[str]) -> list[str]:
    """The common licences that a pack of all these sources may have."""
    every = list(sources)
    return [pack for pack in _COMMON if all(combinable(source, pack) for source in every)]


def licence_names(expression: str) -> list[str]:
    """The single licences of an expression, each once."""
    return list(dict.fromkeys(_names(_plain(expression))))


def spdx_expression(text: str) -> str | None:
    """`text` as a wheel's ``License-Expression``; None where it is none."""
    plain = _plain(text)
    single = all(re.fullmatch(r"[A-Za-z0-9.-]+", name) for name in _names(plain))
    return plain if single and plain != UNSTATED else None


def licence_link(name: str) -> str | None:
    """Where the text of a licence is found; None for one that has no public place."""
    creative = _CC.fullmatch(name)
    if name == "CC0-1.0":
        return "https://creativecommons.org/publicdomain/zero/1.0/"
    if creative is not None:
        kind = name.removeprefix("CC-").split(f"-{creative[4]}.")[0].lower()
        port = (creative[6] or "").replace("-", "/").lower()
        return f"https://creativecommons.org/licenses/{kind}/{creative[4]}.{creative[5]}{port}/"
    known = name in PUBLIC | ANY_USE | _COPYLEFT.keys() or name.startswith("MPL-")
    return f"https://spdx.org/licenses/{name}.html" if known and "Ref-" not in name else None


def _plain(text: str) -> str:
    text = " ".join(text.split())
    return _OLD_NAMES.get(text, text)


def _names(text: str) -> Iterator[str]:
    for word in (" OR ", " AND "):
        parts = _split(text, word)
        if len(parts) > 1:
            for part in parts:
                yield from _names(part)
            return
    yield _plain(text)


def _split(text: str, word: str) -> list[str]:
    """The parts of an expression between this word, outside parentheses; those around a whole part are taken off."""
    parts, depth, start, at = [], 0, 0, 0
    while at < len(text):
        depth += {"(": 1, ")": -1}.get(text[at], 0)
        if depth == 0 and text.startswith(word, at):
            parts.append(text[start:at])
            start = at = at + len(word)
        else:
            at += 1
    parts.append(text[start:])
    return [
        part[1:-1] if part.startswith("(") and part.endswith(")") else part
        for part in map(str.strip, parts)
    ]
