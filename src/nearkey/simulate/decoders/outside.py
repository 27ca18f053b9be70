"""A decoder in a process of its own, asked over the line protocol. Whatever it does, the run goes on."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import subprocess
import tempfile
import threading
from collections import deque
from collections.abc import Sequence
from pathlib import Path
from time import monotonic, perf_counter
from typing import IO, Any, Literal

import msgspec

from nearkey.closing import Closable
from nearkey.decode import LanguagePack
from nearkey.errors import NearkeyError
from nearkey.layout import Layout
from nearkey.simulate.decoders.line_messages import (
    VERSIONS,
    Answer,
    AskedWords,
    Ready,
    hello,
    language_reply,
    parse_reply,
    question,
)
from nearkey.simulate.decoders.protocol import Answers, Collector, Queries, fault_of

_LONGEST_LINE = 1 << 20


class _Trouble(Exception):
    """No answer to a question: kind and detail, and whether the process can still be asked."""

    def __init__(self, kind: str, detail: str, *, over: bool = True) -> None:
        self.kind, self.detail, self.over = kind, detail, over
        super().__init__(f"{kind}: {detail}")


class OutsideDecoder(Closable):
    """A command that speaks the line protocol (see docs/benchmarking.md).

    Use it as a context manager, or `close` it: the process, and what it started, ends with it.

    Parameters
    ----------
    command : program and arguments. It runs with the rights of whoever runs the benchmark.
    layout, touch, pack : what the decoder is told; `pack` None leaves it to its own words.
    k : the most texts it will be asked for.
    start_s, answer_s : seconds it may take to get ready, and to answer.
    use : "live" asks for what a live list shows, completions included (version 2 of the protocol).
    restarts : how often a process that crashed, hung or broke the protocol is started again; the words
        after that count as missed.

    A process is started at the first question, or by `check`, which raises where the command cannot be run or never
    gets ready. Nothing else here raises for what a decoder does: see `Answers.faults`.
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

    def close(self) -> None:
        """End the process and remove the files it was given."""
        if self._process is not None:
            self._process.end()
            self._process = None
        if self._folder is not None:
            self._folder.cleanup()
            self._folder = None

    def check(self) -> None:
        """Start the process and wait until it is ready; NearkeyError, saying why, where it never is."""
        try:
            self._start()
        except _Trouble as trouble:
            self.close()
            raise NearkeyError(
                f"no decoder: {trouble}",
                where=" ".join(self.command),
                fix="run the command by hand; it must answer the line protocol (docs/benchmarking.md)",
            ) from None

    def answer(self, queries: Queries, k: int) -> Answers:
        """Answers to all queries, asked one by one; `seconds` includes the way through the pipes."""
        if k > self._k:
            raise NearkeyError(
                f"{k} texts asked of a decoder told {self._k}",
                field="k",
                fix="make it with a larger k",
            )
        kept = Collector(len(queries), k)
        starts = 0
        for i in queries.asked():
            if self._process is None:
                if starts > self._restarts:
                    kept.faults.add("not asked", f"from word {i}: it had failed {starts} times")
                    continue
                starts += 1
            try:
                reply, seconds = self._ask(i, queries, k)
            except _Trouble as trouble:
                kept.faults.add(trouble.kind, f"word {i}: {trouble.detail}")
                if trouble.over and self._process is not None:
                    self._process.end()
                    self._process = None
                continue
            texts = [t.lower() if isinstance(t, str) else t for t in reply.texts]
            wrong = fault_of(texts, reply.log_probs, k, reply.log_total)
            if wrong is not None:
                kept.faults.add(wrong[0], f"word {i}: {wrong[1]}")
                continue
            kept.take(i, texts, reply.log_probs, seconds, reply.log_total)
        return kept.answers()

    def _start(self) -> _Process:
        if self._process is not None:
            return self._process
        self._process = _Process(self.command)
        first = hello(
            self._layout, self._touch, self._pack, lexicon=self._lexicon_file(), k=self._k
        )
        ready = _reply(self._process, first, self._start_s)
        if not isinstance(ready, Ready):
            raise _Trouble("wrong message", "an answer where ready was due")
        if ready.version not in VERSIONS:
            raise _Trouble(
                "wrong version",
                f"it speaks {ready.version}, the benchmark {VERSIONS[0]} and {VERSIONS[1]}",
            )
        self.name = ready.name
        return self._process

    def _ask(self, number: int, queries: Queries, k: int) -> tuple[Answer, float]:
        process = self._start()
        start = perf_counter()
        line = question(number, queries.touches(number), queries.context(number), k, use=self._use)
        reply = _reply(process, line, self._answer_s)
        # It may ask about words first. After a bad line, the answer to the question before may still be in the pipe.
        while (
            isinstance(reply, AskedWords) or (isinstance(reply, Answer) and reply.id < number)
        ) and perf_counter() < start + self._answer_s:
            line = language_reply(self._pack, reply) if isinstance(reply, AskedWords) else b""
            reply = _reply(process, line, self._answer_s)
        seconds = perf_counter() - start
        if not isinstance(reply, Answer):
            what = "a question" if isinstance(reply, AskedWords) else "ready"
            raise _Trouble("wrong message", f"{what} where an answer was due", over=False)
        if reply.id != number:
            raise _Trouble("wrong id", f"answered {reply.id} when asked {number}")
        return reply, seconds

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
                f"{word}\t{float(p):.6f}\n"
                for word, p in zip(lexicon.words, lexicon.log_probs, strict=True)
            )
            path.write_text("".join(lines), encoding="utf-8")
        return str(path)


def _reply(process: _Process, line: bytes, seconds: float) -> Ready | Answer | AskedWords:
    process.send(line)
    raw = process.line(seconds)
    shown = repr(raw[:80].decode("utf-8", "replace"))
    try:
        return parse_reply(raw)
    except msgspec.ValidationError as fault:
        raise _Trouble("wrong message", f"{fault}: {shown}", over=False) from None
    except (msgspec.DecodeError, RecursionError) as fault:
        raise _Trouble("bad JSON", f"{fault}: {shown}", over=False) from None


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
        assert self._child.stdin is not None
        assert self._child.stdout is not None
        assert self._child.stderr is not None
        for work, pipe in (
            (self._read, self._child.stdout),
            (self._listen, self._child.stderr),
            (self._write, self._child.stdin),
        ):
            threading.Thread(target=work, args=(pipe,), daemon=True).start()

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

    def line(self, seconds: float) -> bytes:
        """The next line, or a `_Trouble` after so many seconds or at the process's end."""
        try:
            line = self._out.get(timeout=seconds)
        except queue.Empty:
            raise _Trouble("no answer", f"within {seconds:g} s") from None
        if line is None:
            raise _Trouble("crashed", self._last_words())
        if len(line) > _LONGEST_LINE:
            raise _Trouble("line too long", f"over {_LONGEST_LINE} bytes")
        return line

    def _last_words(self) -> str:
        try:
            code = self._child.wait(timeout=1.0)
        except subprocess.TimeoutExpired:
            return "it closed its output"
        said = b" ".join(self._complaints).decode("utf-8", "replace").strip()
        return f"exit code {code}" + (f": {said}" if said else "")

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
