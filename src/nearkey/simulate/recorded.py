"""Words made of recorded touches: how a touch model decodes a person it was not fitted on."""

from __future__ import annotations

from nearkey.decode import LanguagePack, TouchModel
from nearkey.errors import PlanError, TouchDataError
from nearkey.layout import Layout
from nearkey.simulate.condition import Condition
from nearkey.simulate.replay import PoolTouch
from nearkey.simulate.simulation_options import SimulationOptions
from nearkey.simulate.trial import TypingTrial
from nearkey.simulate.workload import make_workload
from nearkey.touch import TouchLog
from nearkey.touch.key_geometry import geometry_of
from nearkey.touch.labelling import target_keys


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
        self._like: TypingTrial | None = None

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
            condition, self._pack, workload.vocabulary, options, k=1, like=self._like
        )
        self._like = self._like or trial
        found = trial.judge(trial.type_first(workload, self._words)).outcomes
        return int((found.rank == 1).sum()), len(found)


class _OwnTouches(PoolTouch):
    """Draws a log's own touches of each key; as a touch model it says what `assumed` does. `letters` have touches."""

    def __init__(self, layout: Layout, assumed: TouchModel, log: TouchLog) -> None:
        points = log.in_units_of(layout).points
        key = target_keys(log, geometry_of(layout))
        self.letters = "".join(c for c, own in layout.key_of_letter.items() if (key == own).any())
        if not self.letters:
            raise TouchDataError(
                "holds no touch for a letter of the layout", field="target", fix="check the layout"
            )
        pools = [points[key == layout.key_index(name)] for name in assumed.key_ids]
        # No word has a letter on a key without touches: what stands for those is never decoded.
        super().__init__([own if len(own) else points[:1] for own in pools], assumed)
