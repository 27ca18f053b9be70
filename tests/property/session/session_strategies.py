"""Random events for the fake decoder's pads."""

from __future__ import annotations

from hypothesis import strategies as st
from session_fakes import FakeDecoder, barrel_pad, qwerty_pad, twin_pad, wide_pad

from nearkey.session import messages as msg

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


def taps(decoder: FakeDecoder) -> st.SearchStrategy[msg.Tap]:
    """Touches on the middles of keys, function keys included, and anywhere else."""
    middles = [(key.cx, key.cy) for key in decoder.layout.keys]
    anywhere = st.tuples(st.floats(-2, 12), st.floats(-2, 6))
    return st.builds(lambda p: msg.Tap(*p), st.sampled_from(middles) | anywhere)


def any_event(decoder: FakeDecoder) -> st.SearchStrategy[msg.Message]:
    """Every kind of event, touches most often."""
    tap = taps(decoder)
    switches = st.none() | st.booleans()
    return st.one_of(
        tap,
        tap,
        tap,
        tap,
        st.builds(msg.Accept, small),
        st.builds(msg.Commit),
        st.builds(msg.Space),
        st.builds(msg.Mark, marks),
        st.builds(msg.Insert, texts),
        st.builds(msg.Delete),
        st.builds(msg.Delete),
        st.builds(msg.Move, st.integers(-3, 40)),
        st.builds(msg.Reopen),
        st.builds(msg.Pick, small | st.sampled_from(["x", "ß", "ж", "."]), st.none() | small),
        st.builds(msg.Spell, switches),
        st.builds(msg.Shift, st.sampled_from([None, "", "upper", "lower"])),
        st.builds(msg.CapsLock, switches),
        st.builds(msg.AddWord, st.sampled_from(["tarn", "beck", "λό", "", "the"])),
        st.builds(msg.Clear),
        st.builds(msg.Undo),
        st.builds(msg.Undo),
        st.builds(msg.Redo),
    )


def any_events(decoder: FakeDecoder, max_size: int = 40) -> st.SearchStrategy[list[msg.Message]]:
    return st.lists(any_event(decoder), max_size=max_size)
