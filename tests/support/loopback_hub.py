"""A hub of data sets on the loopback interface: the part of the hub's public REST interface that streaming asks for.

What it answers was taken from the requests that the client libraries make (datasets 5.2, huggingface_hub 2.4):
the data set's revision, its list of files, and files in ranges.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from urllib.parse import unquote, urlsplit

REVISION = "0123456789abcdef0123456789abcdef01234567"


@contextmanager
def loopback_hub(data_sets: Mapping[str, Path]) -> Iterator[tuple[str, list[str]]]:
    """Serve the folders by their names: the address, and the requests as they come in."""
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def answer(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length") or 0))
            path = unquote(urlsplit(self.path).path)
            asked.append(f"{self.command} {path}")
            for name, folder in data_sets.items():
                if path.startswith(f"/datasets/{name}/resolve/"):
                    file = folder / path.split("/", 6)[6]
                    return self.send_file(file) if file.is_file() else self.send_no("EntryNotFound")
                if path.startswith(f"/api/datasets/{name}/tree/"):
                    return self.send(200, json.dumps(_listing(folder)).encode())
                if path == f"/api/datasets/{name}" or path.startswith(f"/api/datasets/{name}/rev"):
                    files = [{"rfilename": entry["path"]} for entry in _listing(folder)]
                    about = {"id": name, "sha": REVISION, "siblings": files, "tags": []}
                    return self.send(200, json.dumps(about).encode())
            return self.send_no("RepoNotFound")

        do_GET = do_HEAD = do_POST = answer

        def send_file(self, file: Path) -> None:
            content = file.read_bytes()
            tag = {"ETag": f'"{_digest(file)}"', "X-Repo-Commit": REVISION}
            wanted = self.headers.get("Range")
            if not wanted:
                return self.send(200, content, **tag)
            first, _, last = wanted.removeprefix("bytes=").partition("-")
            part = content[int(first) : int(last) + 1 if last else None]
            span = f"bytes {first}-{int(first) + len(part) - 1}/{len(content)}"
            return self.send(206, part, **tag, **{"Content-Range": span})

        def send_no(self, code: str) -> None:
            self.send(404, b"{}", **{"X-Error-Code": code, "X-Repo-Commit": REVISION})

        def send(self, status: int, body: bytes, **headers: str) -> None:
            self.send_response(status)
            for key, value in {**headers, "Content-Length": str(len(body))}.items():
                self.send_header(key, value)
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Nothing on standard error."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}", asked
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def _listing(folder: Path) -> list[dict[str, object]]:
    return [
        {
            "type": "file",
            "path": path.relative_to(folder).as_posix(),
            "size": path.stat().st_size,
            "oid": _digest(path),
        }
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    ]


def _digest(path: Path) -> str:
    return hashlib.sha1(path.read_bytes()).hexdigest()
