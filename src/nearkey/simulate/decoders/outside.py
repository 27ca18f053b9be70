"""A decoder in a process of its own, asked over the line protocol. Whatever it does, the run goes on."""

from __future__ import annotations

import contextlib
import os
import queue
import shlex
import signal
import subprocess
import tempfile
import threading
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from time import monotonic, perf_counter
from typing import IO, Any, Literal

import msgspec
import numpy as np

from nearkey.closing import Closable
from nearkey.decode import LanguagePack
from nearkey.errors import NearkeyError
from nearkey.language.models import WordModel
from nearkey.language.pack import Pack
from nearkey.layout import Layout
from nearkey.schema import schema_error
from nearkey.simulate.decoders.line_messages import (
    VERSIONS,
    Answer,
    ArpaFile,
    AskedArpa,
    AskedWords,
    FromDecoder,
    Message,
    Ready,
    Word,
    from_decoder,
    hello,
    language_reply,
)
from nearkey.simulate.decoders.protocol import Answers, Collector, Queries, fault_of

_LONGEST_LINE = 1 << 20


class _Trouble(Exception):
    """No answer to a question: kind and detail, and whether the process can still be asked."""

    def __init__(self, kind: str, detail: str, *, over: bool = True) -> None:
        self.kind, self.detail, self.over = kind, detail, over
        super().__init__(f"{kind}: {detail}")


class OutsideDecoder(Closable):
    """A command that speaks the line protocol (see docs/line-protocol.md).

    Use it as a context manager, or `close` it: the process, and what it started, ends with it.

    Parameters
    ----------
    command : program and arguments. It runs with the rights of whoever runs the benchmark.
    layout, touch, pack : what the decoder is told; `pack` None leaves it to its own words.
    k : the most texts it will be asked for.
    start_s, answer_s : seconds it may take to get ready, and to answer.
    use : "live" makes `answer` ask for what a live list shows, completions included (version 2 of the protocol).
    restarts : how often, in all, a process that crashed, hung or broke the protocol is started again; the words
        after that count as missed.

    A process is started at the first question, or by `check`, which raises where the command cannot be run, never
    gets ready or does not answer. Nothing else here raises for what a decoder does: see `Answers.faults`.
    """

    def __init__(
        self,
        command: Sequence[str],
        *,
        layout: Layout,
        touch: Any,
        pack: LanguagePack | None = None,
        k: int = 10,
        start_s: float = 60.0,
        answer_s: float = 5.0,
        restarts: int = 3,
        use: Literal["words", "live"] = "words",
    ) -> None:
        if not command:
            raise NearkeyError("no command", field="command", fix="name the decoder's program")
        self.command = tuple(command)
        self.name = Path(self.command[0]).name
        self._layout, self._touch, self._pack, self._k = layout, touch, pack, k
        self._start_s, self._answer_s, self._restarts = start_s, answer_s, restarts
        self._use = use
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._process: _Process | None = None
        self._version = self._starts = self._asked = 0

    def close(self) -> None:
        """End the process and remove the files it was given."""
        if self._process is not None:
            self._process.end()
            self._process = None
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def check(self) -> None:
        """Start the process, wait until it is ready and ask for the word of one touch; NearkeyError, saying why and
        what it wrote to standard error last, where it is never ready or does not answer."""
        point = self._layout.centers[self._layout.key_of_letter[self._layout.letters[0]]]
        queries = Queries(point[None], np.asarray([0, 1], np.uint32), ("",))
        try:
            self._ask(queries, 0, 1)
        except _Trouble as trouble:
            self.close()
            raise NearkeyError(
                f"no decoder: {trouble}",
                where=shlex.join(self.command),
                fix="run the command by hand; it must answer the line protocol (docs/line-protocol.md)",
            ) from None

    @property
    def lists_live(self) -> bool:
        """Whether it can be asked for live lists: from version 2 of the protocol on. It is started to know."""
        if not self._version and self._starts <= self._restarts:
            try:
                self._start()
            except _Trouble as trouble:
                self._end_after(trouble)
        return self._version > 1

    def answer(self, queries: Queries, k: int) -> Answers:
        """Answers to all queries, asked one by one; `seconds` includes the way through the pipes."""
        if self._use == "live":
            return self.answer_live(queries.placed(), k)
        return self._answers(queries, k, {"use": "words"})

    def answer_live(self, queries: Queries, k: int, *, completions: bool | None = None) -> Answers:
        """Live lists, as of `LiveLists`."""
        return self._answers(queries, k, {"use": "live", "completions": completions is not False})

    def _answers(self, queries: Queries, k: int, how: dict[str, Any]) -> Answers:
        if k > self._k:
            raise NearkeyError(
                f"{k} texts asked of a decoder told {self._k}",
                field="k",
                fix="make it with a larger k",
            )
        kept = Collector(len(queries), k)
        for i in queries.asked():
            if self._process is None and self._starts > self._restarts:
                kept.faults.add("not asked", f"from word {i}: it had failed {self._starts} times")
                continue
            try:
                reply, seconds = self._ask(queries, i, k, **how)
            except _Trouble as trouble:
                kept.faults.add(trouble.kind, f"word {i}: {trouble.detail}")
                self._end_after(trouble)
                continue
            texts = [t.lower() if isinstance(t, str) else t for t in reply.texts]
            # The first place of a live list has a rule of its own: its scores need not fall, and are not used.
            scores = None if how["use"] == "live" else reply.log_probs
            wrong = fault_of(texts, scores, k, reply.log_total)
            if wrong is not None:
                kept.faults.add(wrong[0], f"word {i}: {wrong[1]}")
                continue
            kept.take(i, texts, scores, seconds, None if scores is None else reply.log_total)
        return kept.answers()

    def _end_after(self, trouble: _Trouble) -> None:
        if trouble.over and self._process is not None:
            self._process.end()
            self._process = None

    def _start(self) -> _Process:
        if self._process is not None:
            return self._process
        self._starts += 1
        self._process = _Process(self.command)
        first = hello(self._layout, self._touch, lexicon=self._lexicon_file(), k=self._k)
        ready = self._reply(self._process, first, self._start_s)
        if not isinstance(ready, Ready):
            raise _Trouble("wrong message", "an answer where ready was due")
        if ready.version not in VERSIONS:
            raise _Trouble(
                "wrong version",
                f"it speaks {ready.version}, the benchmark {VERSIONS[0]} and {VERSIONS[1]}",
            )
        self.name, self._version = ready.name, ready.version
        return self._process

    def _ask(self, queries: Queries, i: int, k: int, **how: Any) -> tuple[Answer, float]:
        process = self._start()
        number, self._asked = self._asked, self._asked + 1
        asked = Word(number, queries.touches(i).tolist(), queries.context(i), k, **how)
        start = perf_counter()
        reply = self._reply(process, asked, self._answer_s, number)
        seconds = perf_counter() - start
        if not isinstance(reply, Answer):
            raise _Trouble("wrong message", "ready where an answer was due", over=False)
        if reply.id != number:
            raise _Trouble("wrong id", f"answered {reply.id} when asked {number}")
        return reply, seconds

    def _reply(
        self, process: _Process, message: Message, seconds: float, number: int = 0
    ) -> Ready | Answer:
        """What a decoder answers. It may ask first, of the language and for files; and after a bad line, the answer to
        a question before this `number` may still be in the pipe."""
        end = perf_counter() + seconds
        process.send(message.line())
        while True:
            reply = process.message(max(end - perf_counter(), 0.0), seconds)
            asked = perf_counter()
            if isinstance(reply, AskedWords):
                process.send(language_reply(self._pack, reply).line())
            elif isinstance(reply, AskedArpa):
                process.send(self._arpa_file().line())
            elif not (isinstance(reply, Answer) and reply.id < number):
                return reply
            end += perf_counter() - asked  # what we took is not the decoder's

    def _file(self, name: str) -> Path:
        if self._folder is None:
            self._folder = tempfile.TemporaryDirectory(prefix="nearkey-")
        return Path(self._folder.name) / name

    def _lexicon_file(self) -> str | None:
        if self._pack is None:
            return None
        path = self._file("lexicon.tsv")
        if not path.exists():
            lexicon = self._pack.lexicon
            lines = (
                f"{word}\t{float(p)!r}\n"
                for word, p in zip(lexicon.words, lexicon.log_probs, strict=True)
            )
            path.write_text("".join(lines), encoding="utf-8")
        return str(path)

    def _arpa_file(self) -> ArpaFile:
        path = self._file("pack.arpa")
        if not path.exists():
            from nearkey.packs.arpa import exported_model

            pack = self._pack
            if not (isinstance(pack, Pack) and isinstance(pack.ngram_model, WordModel)):
                return ArpaFile(None, "the language model is not read from a pack's folder")
            exported_model(pack).save(path)
        return ArpaFile(str(path))


def _started(work: Callable[[IO[bytes]], None], pipe: IO[bytes]) -> threading.Thread:
    thread = threading.Thread(target=work, args=(pipe,), daemon=True)
    thread.start()
    return thread


class _Process:
    """A child process with threads that keep its pipes moving, so that no wait is unbounded."""

    def __init__(self, command: Sequence[str]) -> None:
        try:
            self._child = subprocess.Popen(
                list(command),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                start_new_session=True,
            )
        except (OSError, ValueError) as fault:
            raise _Trouble("cannot be run", str(fault)) from None
        self._out: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._to_send: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._complaints: deque[bytes] = deque(maxlen=4)
        self._lines = 0
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        assert self._child.stderr is not None
        _, self._listener, _ = (
            _started(work, pipe)
            for work, pipe in (
                (self._read, self._child.stdout),
                (self._listen, self._child.stderr),
                (self._write, self._child.stdin),
            )
        )

    def _read(self, pipe: IO[bytes]) -> None:
        with contextlib.suppress(OSError, ValueError):
            while line := pipe.readline(_LONGEST_LINE + 1):
                self._out.put(line)
                if len(line) > _LONGEST_LINE:
                    break
        self._out.put(None)

    def _listen(self, pipe: IO[bytes]) -> None:
        with contextlib.suppress(OSError, ValueError):
            while line := pipe.readline(4096):
                self._complaints.append(line)

    def _write(self, pipe: IO[bytes]) -> None:
        with contextlib.suppress(OSError, ValueError):
            while (line := self._to_send.get()) is not None:
                pipe.write(line)
                pipe.flush()
        with contextlib.suppress(OSError):
            pipe.close()

    def send(self, line: bytes) -> None:
        self._to_send.put(line)

    def message(self, wait_s: float, seconds: float) -> FromDecoder:
        """The next message; a `_Trouble`, with what was last written to standard error, after `wait_s`, the rest of
        `seconds`, at the process's end, and for a line that is no message."""
        try:
            line = self._out.get(timeout=wait_s)
        except queue.Empty:
            raise self._trouble("no answer", f"within {seconds:g} s") from None
        if line is None:
            raise self._ended()
        if len(line) > _LONGEST_LINE:
            raise self._trouble("line too long", f"over {_LONGEST_LINE} bytes")
        self._lines += 1
        try:
            return from_decoder.decode(line)
        except (msgspec.MsgspecError, UnicodeError, RecursionError) as fault:
            told = schema_error(fault, error=NearkeyError, place=f"line {self._lines}")
            kind = "wrong message" if isinstance(fault, msgspec.ValidationError) else "bad JSON"
            shown = repr(line[:80].decode("utf-8", "replace"))
            raise self._trouble(
                kind, f"{told.field}: {told.problem}: {shown}", over=False
            ) from None

    def _trouble(self, kind: str, detail: str, *, over: bool = True) -> _Trouble:
        said = self._last_said()
        return _Trouble(
            kind, f"{detail}; its standard error ends: {said}" if said else detail, over=over
        )

    def _last_said(self) -> str:
        said = [line.decode("utf-8", "replace").strip() for line in self._complaints]
        return next((line for line in reversed(said) if line), "")

    def _ended(self) -> _Trouble:
        """How it ended; what it still said is given time to arrive."""
        try:
            code = self._child.wait(timeout=1.0)
        except subprocess.TimeoutExpired:
            return self._trouble("crashed", "it closed its output")
        self._listener.join(timeout=1.0)
        said = self._last_said()
        return _Trouble("crashed", f"exit code {code}" + (f": {said}" if said else ""))

    def end(self) -> None:
        """Close its input, give it a moment, then end it and what it started."""
        self._to_send.put(None)
        deadline = monotonic() + 0.5
        while self._child.poll() is None and monotonic() < deadline:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._child.wait(timeout=0.05)
        with contextlib.suppress(OSError):
            if hasattr(os, "killpg"):
                os.killpg(self._child.pid, signal.SIGKILL)
            else:
                self._child.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._child.wait(timeout=5.0)
