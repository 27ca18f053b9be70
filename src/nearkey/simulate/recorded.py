"""Words made of recorded touches: how a touch model decodes a person it was not fitted on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nearkey.decode import Decoder, LanguagePack, TouchModel
from nearkey.errors import PlanError, TouchDataError
from nearkey.layout import Layout
from nearkey.simulate.condition import Condition
from nearkey.simulate.simulation_options import SimulationOptions
from nearkey.simulate.trial import TypingTrial
from nearkey.simulate.workload import make_workload
from nearkey.touch import TouchLog

__all__ = ["RecordedWords"]


class RecordedWords:
    """Decodes words whose letters are touches a person made for those keys.

    Called with a touch model and a log, it draws words of the pack by frequency, takes for each letter one of
    the log's touches for its key at random, decodes without context, and gives (words right first, words).
    Words with a letter whose key the log never targets are not drawn. The touches of a word were not made
    in that order: this judges a model's densities, not how people type words.

    Parameters
    ----------
    layout : the keys. pack : the words. words : how many to draw for each log. seed : of words and touches;
        every model gets the same ones.
    """

    def __init__(
        self, layout: Layout, pack: LanguagePack, *, words: int = 200, seed: int = 0
    ) -> None:
        self._layout = layout
        self._pack = pack
        self._words = words
        self._seed = seed
        self._tries: Decoder | None = None

    def __call__(self, model: TouchModel, log: TouchLog) -> tuple[int, int]:
        touches = _OwnTouches(self._layout, model, log)
        options = SimulationOptions(words=self._words, seed=self._seed)
        try:
            workload = make_workload(
                self._pack, None, words=self._words, seed=self._seed, letters=touches.letters
            )
        except PlanError:
            return 0, 0
        condition = Condition(self._layout, touches, model)
        trial = TypingTrial(
            condition, self._pack, workload.vocabulary, options, k=1, tries=self._tries
        )
        self._tries = self._tries or trial.decoder.decoder
        found = trial.judge(trial.type_first(workload, self._words)).outcomes
        return int((found.rank == 1).sum()), len(found)


class _OwnTouches:
    """Draws a log's own touches of each key; as a touch model it says what `assumed` does."""

    def __init__(self, layout: Layout, assumed: TouchModel, log: TouchLog) -> None:
        self.key_ids = tuple(assumed.key_ids)
        self._assumed = assumed
        self._points = log.in_units_of(layout).points
        self._rows: dict[int, list[int]] = {}
        for row, target in enumerate(log.target.tolist()):
            if target in layout.key_ids:
                key: int | None = layout.key_index(target)
            else:
                key = layout.key_of_letter.get(target.lower())
            if key is not None:
                self._rows.setdefault(self.key_ids.index(layout.key_ids[key]), []).append(row)
        if not self._rows:
            raise TouchDataError(
                "holds no touch for a letter of the layout", field="target", fix="check the layout"
            )
        self.letters = "".join(
            letter
            for letter, key in layout.key_of_letter.items()
            if self.key_ids.index(layout.key_ids[key]) in self._rows
        )

    def log_prob(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        return self._assumed.log_prob(points)

    def sample(self, keys: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.float64]:
        drawn = rng.random(len(keys))
        rows = (self._rows.get(int(key), [0]) for key in keys)
        places = [own[int(u * len(own))] for own, u in zip(rows, drawn, strict=True)]
        return np.asarray(self._points[places])
