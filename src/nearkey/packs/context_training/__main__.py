"""``python3 -m context_training``: a training by itself."""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path

from .training_data import Options, TrainingError, read_data, replace_texts
from .training_run import train


def main(arguments: list[str] | None = None) -> int:
    """The command line."""
    parser = argparse.ArgumentParser(description="Train the context model of a pack.")
    parser.add_argument("data", type=Path, help="folder of the training data")
    parser.add_argument("out", type=Path, help="folder for the model and the report")
    parser.add_argument("--checkpoint", type=Path, help="folder to keep the run's state in")
    parser.add_argument("--every", type=float, default=120.0, help="seconds between checkpoints")
    parser.add_argument("--partial", action="store_true", help="do without sources not there")
    parser.add_argument(
        "--texts", default="", help="evaluate only texts whose names begin so ('none': none)"
    )
    parser.add_argument("--weights", type=Path, help="JSON file: sampling weights of sources")
    for name, default in asdict(Options()).items():
        flag = "--" + name.replace("_", "-")
        if isinstance(default, bool):
            parser.add_argument(flag, action="store_true")
        else:
            parser.add_argument(flag, type=type(default), default=default)
    given = vars(parser.parse_args(arguments))
    options = Options(**{name: given[name] for name in asdict(Options())})
    weights = json.loads(given["weights"].read_text("utf-8")) if given["weights"] else None

    def say(line: str) -> None:
        sys.stdout.write(f"{line}\n")
        sys.stdout.flush()

    try:
        data = read_data(given["data"], weights=weights, partial_data=given["partial"])
        train(
            replace_texts(data, lambda name: name.startswith(given["texts"])),
            options,
            given["out"],
            checkpoint=given["checkpoint"],
            every_s=given["every"],
            say=say,
        )
    except TrainingError as fault:
        sys.stderr.write(f"{fault}\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
