#!/usr/bin/env bash
# Makes .yardsticks: an environment of its own for the yardsticks, with nearkey in it.
# pyctcdecode wants a numpy below 2, which nearkey accepts too.
set -euo pipefail
cd "$(dirname "$0")/../.."
python3 -m venv .yardsticks
.yardsticks/bin/python -m pip install --upgrade pip
.yardsticks/bin/python -m pip install flashlight-text kenlm pyctcdecode pynini 'numpy<2' '.[rank]'
