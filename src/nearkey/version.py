"""The version, where every room can read it without importing the package's face."""

from __future__ import annotations

VERSION = "0.1.0"
