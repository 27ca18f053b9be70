"""The one logger of nearkey. A program that uses nearkey decides whether and where its lines appear."""

from __future__ import annotations

import logging

LOGGER = logging.getLogger("nearkey")
"""What went on beside the result: parts of others that were passed over, waits, restarts. Silent unless configured."""

LOGGER.addHandler(logging.NullHandler())
