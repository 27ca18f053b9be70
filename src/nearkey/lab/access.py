"""Who may come in: this machine; other devices with a one-time token, where the lab is shared. Hosts and origins
are checked.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Iterable
from urllib.parse import urlsplit

COOKIE = "nearkey_lab"
_TOKENS_AT_ONCE, _TOKEN_S = 8, 600.0


class LabAccess:
    """hosts : names and addresses this lab is reached under. port : its own. shared : whether other devices may
    come in.

    Tokens are for one use within ten minutes; who used one gets a key that holds until the lab stops.
    """

    def __init__(self, hosts: Iterable[str], port: int, *, shared: bool) -> None:
        self.hosts = frozenset(host.lower() for host in hosts)
        self.port = port
        self.shared = shared
        self._tokens: dict[str, float] = {}
        self._keys: set[str] = set()

    def host_allowed(self, host: str | None) -> bool:
        """Whether a Host header names this lab: a page elsewhere that points its own name here does not."""
        try:
            parts = urlsplit(f"//{host or ''}")
            return parts.hostname in self.hosts and (parts.port or 80) == self.port
        except ValueError:  # no such header
            return False

    def origin_allowed(self, origin: str | None) -> bool:
        """Whether an Origin header is a page of this lab; programs that are no browsers send none."""
        if origin is None:
            return True
        parts = urlsplit(origin)
        return parts.scheme in ("http", "https") and self.host_allowed(parts.netloc)

    def invite(self, now_s: float) -> str:
        """A fresh one-time token."""
        self._tokens = {t: at for t, at in self._tokens.items() if now_s - at < _TOKEN_S}
        while len(self._tokens) >= _TOKENS_AT_ONCE:
            del self._tokens[next(iter(self._tokens))]
        token = secrets.token_urlsafe(16)
        self._tokens[token] = now_s
        return token

    def admit(self, token: str, now_s: float) -> str | None:
        """The key that a token is exchanged for, once; None for a token that is unknown, used or too old."""
        at = self._tokens.pop(token, None)
        if not self.shared or at is None or now_s - at >= _TOKEN_S:
            return None
        key = secrets.token_urlsafe(24)
        self._keys.add(key)
        return key

    def may_enter(self, peer: str | None, key: str | None) -> bool:
        """Whether a request from the address `peer`, with a `key` or without, is let in."""
        if peer is not None and _is_loopback(peer):
            return True
        return key is not None and any(hmac.compare_digest(key, known) for known in self._keys)


def _is_loopback(peer: str) -> bool:
    try:
        return ipaddress.ip_address(peer).is_loopback
    except ValueError:
        return False
