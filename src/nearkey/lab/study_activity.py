"""Study: one participant's blocks of a plan, from consent to the last phrase; goes on where the logs say it stopped."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import Self

from nearkey.lab.activity import (
    Activity,
    CloseTrial,
    Deed,
    OpenPads,
    OpenTrial,
    TakeRest,
    button,
)
from nearkey.lab.lab_messages import SceneReply, WorkloadForm
from nearkey.lab.lab_plan import CAUTIONS, WorkloadKind
from nearkey.session.study_sitting import SittingTrial, TrialPlace, in_order, next_trial
from nearkey.study import WORKLOAD_PAIRS, WORKLOAD_SCALES, BlockPlan


@dataclass(frozen=True, slots=True)
class StudyActivity(Activity):
    """A participant's way through the plan.

    blocks : of the participant, in order. done : trials that are. consent : the text to agree to. state : "consent",
    "cautions", "rest", "ready", "phrase", "workload" or "end". open : whether the log holds the present phrase's prompt
    already, as after a crash of the lab in the middle of it. workload : what is asked about the work after each
    condition, "" for nothing; rated : conditions it was told of, or not to be told of.
    """

    blocks: tuple[BlockPlan, ...]
    done: frozenset[TrialPlace]
    consent: str
    state: str = "consent"
    open: bool = False
    workload: WorkloadKind = ""
    rated: frozenset[str] = frozenset()

    @property
    def trial(self) -> SittingTrial | None:
        """The present trial."""
        return next_trial(self.blocks, self.done)

    @property
    def due(self) -> str | None:
        """The first condition whose blocks are all done and whose work is still to be told of."""
        if not self.workload:
            return None
        undone = {b.condition for b, place in in_order(self.blocks) if place not in self.done}
        names = (b.condition for b in self.blocks if b.condition not in undone | self.rated)
        return next(names, None)

    @property
    def types(self) -> bool:
        """Whether touches go to the decoder now."""
        return self.state == "phrase"

    @property
    def scene(self) -> SceneReply:
        """What to agree to, to read, to type or to answer."""
        trial = self.trial
        total = sum(len(each.phrases) for each in self.blocks)
        scene = partial(SceneReply, activity="study", done=len(self.done), total=total)
        leave = button("Stop", "leave")
        if self.state == "workload" and self.due is not None:
            pairs = WORKLOAD_PAIRS if self.workload == "weighted" else ()
            return scene(
                step="workload",
                title=f"The work with {self.due}",
                lines=("Think of all the phrases you typed with it.",),
                workload=WorkloadForm(scales=WORKLOAD_SCALES, pairs=pairs),
                buttons=(button("Rather not say", "next"), leave),
            )
        if trial is None:
            thanks = ("That was the last phrase. Thank you.",)
            finish = (button("Finish", "leave"),)
            return scene(step="end", title="The end", lines=thanks, buttons=finish)
        block = trial.block
        name = f"{block.condition}, " + ("practice" if block.practice else f"block {block.block}")
        scene = partial(scene, step=self.state)
        match self.state:
            case "consent":
                agree = (button("I agree", "next"), leave)
                return scene(title="Before we begin", lines=(self.consent,), buttons=agree)
            case "cautions":
                read = (button("I have read this", "next"), leave)
                return scene(title="Please mind", lines=CAUTIONS, buttons=read)
            case "rest":
                advice = (f"Next: {name}. Rest hand and eyes, longer if you like.",)
                on = (button("Go on", "next"), leave)
                return scene(title="Rest", lines=advice, rest_s=block.rest_s, buttons=on)
            case "ready":
                lines = (
                    f"{len(block.phrases)} phrases. Read each, then type it quickly and accurately.",
                    "Press Done after each.",
                )
                if trial.trial > 1:
                    lines = (
                        f"We go on at phrase {trial.trial} of {len(block.phrases)}.",
                        *lines[1:],
                    )
                start = (button("Start", "next"), leave)
                return scene(title=name, lines=lines, buttons=start)
        return scene(
            title=name,
            phrase=trial.phrase,
            takes_touches=True,
            buttons=(button("Done", "next"), leave),
        )

    def begin(self) -> tuple[Self, tuple[Deed, ...]]:
        """Consent first; who was in the middle of a block has given it and goes on."""
        # A phrase left open comes first: its log may not stand open while something else is asked.
        if self.due is not None and not self.open:
            return replace(self, state="workload"), ()
        trial = self.trial
        if trial is None:
            return replace(self, state="end"), ()
        pads = OpenPads((trial.block.condition,))
        if self.open:
            return replace(self, state="phrase", open=False), (pads, OpenTrial(trial))
        if self.done:
            return replace(self, state="ready"), (pads,)
        return self, (pads,)

    def go_on(self) -> tuple[Self, tuple[Deed, ...]]:
        """The next step."""
        trial = self.trial
        match self.state:
            case "consent":
                return replace(self, state="cautions"), ()
            case "cautions" | "rest":
                return replace(self, state="ready"), ()
            case "ready" if trial is not None:
                return replace(self, state="phrase"), (OpenTrial(trial),)
            case "phrase" if trial is not None:
                return self._after(trial)
            case "workload" if self.due is not None:
                rated = replace(self, rated=self.rated | {self.due})
                return (rated, ()) if rated.due else rated._between()
        return self, ()

    def _after(self, trial: SittingTrial) -> tuple[Self, tuple[Deed, ...]]:
        on = replace(self, done=self.done | {trial.place})
        following = on.trial
        if following is not None and following.place[0] == trial.place[0]:
            return on, (CloseTrial(), OpenTrial(following))
        if on.due is not None:
            return replace(on, state="workload"), (CloseTrial(),)
        on, deeds = on._between()
        return on, (CloseTrial(), *deeds)

    def _between(self) -> tuple[Self, tuple[Deed, ...]]:
        """To the block that follows, or the end."""
        following = self.trial
        if following is None:
            return replace(self, state="end"), ()
        pads = OpenPads((following.block.condition,))
        if following.block.rest_s:
            return replace(self, state="rest"), (pads, TakeRest(following.block.rest_s))
        return replace(self, state="ready"), (pads,)

    def leave(self) -> tuple[Deed, ...]:
        """An open phrase is aborted; it comes again when the study goes on."""
        return (CloseTrial(aborted=True),) if self.state == "phrase" else ()
