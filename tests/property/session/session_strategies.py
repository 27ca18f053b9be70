"""Random events for the fake decoder's pads."""

from __future__ import annotations

from hypothesis import strategies as st
from session_fakes import FakeDecoder, barrel_pad, qwerty_pad, twin_pad, wide_pad

from nearkey.session import events as ev

PADS = {
    "letters": FakeDecoder(qwerty_pad()),
    "groups": FakeDecoder(barrel_pad()),
    "twins": FakeDecoder(twin_pad()),
    "wide": FakeDecoder(wide_pad(), ("жё", "λöß", "äñ", "öl", "öle", "café", "ß")),
}

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=4) | st.sampled_from(
    ["gate", "λ", " ", "\n", "e\u0301", "ß", "🙂", "a b", ""]
)
marks = st.sampled_from([".", ",", "(", ")", '"', "-", "?!", "'", "…", "&", "¿", "@", "»", "", " "])
small = st.integers(-2, 12)


def taps(decoder: FakeDecoder) -> st.SearchStrategy[ev.Tap]:
    """Touches on the middles of keys, function keys included, and anywhere else."""
    middles = [(key.cx, key.cy) for key in decoder.layout.keys]
    anywhere = st.tuples(st.floats(-2, 12), st.floats(-2, 6))
    return st.builds(lambda p: ev.Tap(*p), st.sampled_from(middles) | anywhere)


def any_event(decoder: FakeDecoder) -> st.SearchStrategy[ev.Event]:
    """Every kind of event, touches most often."""
    tap = taps(decoder)
    switches = st.none() | st.booleans()
    return st.one_of(
        tap,
        tap,
        tap,
        tap,
        st.builds(ev.Accept, small),
        st.builds(ev.Commit),
        st.builds(ev.Space),
        st.builds(ev.Mark, marks),
        st.builds(ev.Insert, texts),
        st.builds(ev.Delete),
        st.builds(ev.Delete),
        st.builds(ev.Move, st.integers(-3, 40)),
        st.builds(ev.Reopen),
        st.builds(ev.Pick, small | st.sampled_from(["x", "ß", "ж", "."]), st.none() | small),
        st.builds(ev.Spell, switches),
        st.builds(ev.Shift, st.sampled_from([None, "", "upper", "lower"])),
        st.builds(ev.CapsLock, switches),
        st.builds(ev.AddWord, st.sampled_from(["tarn", "beck", "λό", "", "the"])),
        st.builds(ev.Clear),
        st.builds(ev.Undo),
        st.builds(ev.Undo),
        st.builds(ev.Redo),
    )


def any_events(decoder: FakeDecoder, max_size: int = 40) -> st.SearchStrategy[list[ev.Event]]:
    return st.lists(any_event(decoder), max_size=max_size)
