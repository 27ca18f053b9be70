"""A pytest plugin: the tests run with the compiled kernel of the folder that NEARKEY_KERNEL names."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path

import nearkey

(_path,) = Path(os.environ["NEARKEY_KERNEL"], "nearkey").glob("_kernel.*.so")
assert "nearkey._kernel" not in sys.modules, "the installed kernel is loaded already"
_spec = importlib.util.spec_from_file_location("nearkey._kernel", _path)
assert _spec is not None
assert _spec.loader is not None
_kernel = importlib.util.module_from_spec(_spec)
sys.modules["nearkey._kernel"] = _kernel
_spec.loader.exec_module(_kernel)
nearkey._kernel = _kernel  # type: ignore[attr-defined]


def pytest_report_header() -> str:
    return f"kernel: {_path}"
