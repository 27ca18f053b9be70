"""One decoder serves many sessions at once; each session is one thread's."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from session_fakes import WORDS, FakeDecoder, Typist

from nearkey.session import Session


def _write(decoder: FakeDecoder, words: list[str]) -> tuple[str, list[str]]:
    t = Typist(Session(decoder), decoder)
    shown = []
    for word in words:
        t.type(word.lower().replace("'", ""))
        shown.append(t.session.candidates[0].text)
        t.session.commit()
    t.session.delete()
    t.session.undo()
    return t.session.text, shown


def test_sessions_on_one_decoder_do_not_disturb_each_other() -> None:
    plain = [w for w in WORDS if w.isascii()]
    jobs = [plain[i:] + plain[:i] for i in range(12)]
    decoder = FakeDecoder()
    alone = [_write(decoder, job) for job in jobs]
    with ThreadPoolExecutor(8) as pool:
        together = list(pool.map(lambda job: _write(decoder, job), jobs))
    assert together == alone
