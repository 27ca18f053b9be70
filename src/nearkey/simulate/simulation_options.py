"""What every simulation is told: words, text, seed, the person's ways of choosing, and how the work is carried out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from typing import Any, Self, TypedDict

from nearkey.bounds import MOST_WORKERS, whole_number
from nearkey.decode import LanguagePack
from nearkey.errors import PlanError
from nearkey.seeds import Seed, seed_number
from nearkey.simulate.keystrokes import Selection, Speed
from nearkey.simulate.workload import Corpus, CorpusSource, Workload, as_corpus, make_workload


@dataclass(frozen=True, slots=True)
class SimulationProgress:
    """One more step done. `layout` is typed on; `done` of `total` steps, which early stopping may shorten; `step` says
    what comes or was done."""

    layout: str
    done: int
    total: int
    step: str = "typing"

    def __str__(self) -> str:
        return f"{self.layout}: {self.step}"


ReportProgress = Callable[[SimulationProgress], None]


class SimulationKeywords(TypedDict, total=False):
    """The keywords of every simulation: those of `SimulationOptions`; `options`, all of them in one object, of which
    other keywords change single ones; and `threads`, an older name of `workers`."""

    options: SimulationOptions
    words: int
    seed: Seed
    corpus: CorpusSource | None
    in_context: bool | None
    selection: Selection | None
    speed: Speed | None
    lm_weight: float
    workers: int
    threads: int
    executor: Any
    progress: ReportProgress | None


@dataclass(frozen=True, kw_only=True, slots=True)
class SimulationOptions:
    """What a ranking, a score, a replay and a benchmark have in common. The public functions take these as keywords.

    Parameters
    ----------
    words : words typed on each layout, 2 or more.
    seed : of the words and the touches. A Generator gives one by its next number, which results tell.
    corpus : text to type: a `Corpus`, lines, a file's path, `nltk:NAME` or `hub:NAME@SPLIT` (see `read_source`);
        None draws words by their probability in the pack.
    in_context : decode each word after the words before it; None does so where there is a corpus.
    selection, speed : models of picking a candidate, and of time.
    lm_weight : the decoder's weight of the language score.
    workers : threads of this process, or how many tasks a single layout is cut into for an `executor`. No figure
        depends on it.
    executor : any `concurrent.futures.Executor`, or a `dask.distributed` client; it must be able to pickle layouts,
        models and pack when it leaves the process. They go to each worker once.
    progress : called with a `SimulationProgress` after each step.

    Raises PlanError for values that cannot be meant, and what reading the corpus raises.
    """

    words: int = 5000
    seed: Seed = 0
    corpus: Corpus | None = None
    in_context: bool | None = None
    selection: Selection = field(default_factory=Selection)
    speed: Speed = field(default_factory=Speed)
    lm_weight: float = 1.0
    workers: int = 1
    executor: Any = None
    progress: ReportProgress | None = None

    def __post_init__(self) -> None:
        # What callers may give in several forms is kept in one.
        object.__setattr__(self, "seed", seed_number(self.seed))
        if self.corpus is not None:
            object.__setattr__(self, "corpus", as_corpus(self.corpus))
        check_words(self.words, "words")
        if isinstance(self.seed, int) and self.seed < 0:
            raise PlanError(f"is {self.seed}", field="seed", fix="give 0 or more")
        whole_number(self.seed, low=0, high=1 << 63, error=PlanError, field="seed")
        whole_number(self.workers, low=1, high=MOST_WORKERS, error=PlanError, field="workers")
        if self.in_context and self.corpus is None:
            raise PlanError(
                "words drawn one by one have no context", field="in_context", fix="give a corpus"
            )

    @classmethod
    def of(cls, keywords: Any) -> Self:
        """Options from the keywords of a public function; a keyword given as None is as good as left out.

        Raises TypeError for a keyword that is none.
        """
        given = {name: value for name, value in keywords.items() if value is not None}
        base = given.pop("options", None)
        if "threads" in given:
            threads = given.pop("threads")
            given.setdefault("workers", threads)
        if base is not None:
            own = (one.name for one in fields(cls) if hasattr(base, one.name))
            given = {name: getattr(base, name) for name in own} | given
        unknown = sorted(given.keys() - {one.name for one in fields(cls)})
        if unknown:
            raise TypeError(f"no such keyword: {', '.join(unknown)}")
        return cls(**given)

    @property
    def with_context(self) -> bool:
        """Whether words are decoded after the words before them."""
        return self.corpus is not None if self.in_context is None else self.in_context

    def workload(self, pack: LanguagePack, letters: str) -> Workload:
        """The words to type on layouts that have these letters. Raises PlanError where there are none."""
        return make_workload(
            pack,
            self.corpus,
            words=self.words,
            seed=self.seed,
            letters=letters,
            in_context=self.with_context,
        )

    def for_records(self) -> Self:
        """The options without what only carries out the work: a text that may be long, and what cannot be pickled."""
        return replace(self, corpus=None, in_context=None, executor=None, progress=None)


class StepCount:
    """Counts steps and reports them to whoever asked `options` for it. `total` may be changed."""

    def __init__(self, options: SimulationOptions, total: int) -> None:
        self._progress, self._done, self.total = options.progress, 0, total

    def step(self, layout: str, step: str = "typing", *, more: int = 1) -> None:
        """So many more steps are done."""
        self._done += more
        if self._progress is not None:
            self._progress(SimulationProgress(layout, self._done, self.total, step))


def check_words(words: int, field: str) -> None:
    """PlanError for too few words to give an interval, and for more than any machine holds."""
    if isinstance(words, int) and words < 2:
        raise PlanError(f"{words} words give no interval", field=field, fix="type 2 or more")
    whole_number(words, low=2, high=100_000_000, error=PlanError, field=field)
