"""Owns the live page: a server on the loopback address that serves one scene's page and answers for poses of it.

It answers nobody else: a request must name this address as its host and, where it names an origin, as that; there is no
file to ask for, only the page and three questions. A practice round is a pose asked with a name; each is written to the
session's file as one line of JSON, with the task, the pose and what the engine said.
"""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Lock
from typing import Any, Final

import numpy as np

from clearance.errors import ClearanceError, InputError, Mistake
from clearance.pipeline import Prepared
from clearance.result import Result
from clearance.view.page import header_policy, page_text
from clearance.view.page_zones import PageZone, packed_zones
from clearance.view.posing import Poser, free_ranges, pose_at, poser
from clearance.view.scene_data import page_data
from clearance.view.weather import stated_weather

ADDRESS: Final = "127.0.0.1"

MOST_ASKED: Final = 10_000
"""[bytes] Longest question."""

MOST_NAME: Final = 80
"""Characters of a trainee's name that are recorded."""


@dataclass(eq=False)
class Session:
    """A page being served. record: where practice rounds are written, None for nowhere."""

    page: bytes
    policy: str
    poser: Poser
    record: Path | None
    began: float = field(default_factory=time.monotonic)
    rounds: int = 0
    writing: Lock = field(default_factory=Lock)


def session(prepared: Prepared, result: Result, record: Path | None = None, zones: Sequence[PageZone] = ()) -> Session:
    """Everything a served page needs. Raises InputError where the record cannot be written."""
    data = page_data(prepared, result)
    data |= {
        "live": {
            "ranges": [free_ranges(prepared, k) for k in range(len(prepared.stages))],
            "swept": stated_weather(prepared.site.scene),
            "recording": record is not None,
        },
    }
    data |= packed_zones(zones, np.array(data["offset"]))
    if record is not None:
        try:
            record.open("a", encoding="utf-8").close()
        except OSError as error:
            found = (error.strerror or str(error)).lower()
            raise InputError(Mistake(("--record", str(record)), "a file that can be written", found)) from None
    text = page_text(data, result.tolerance_m, live=True)
    return Session(text.encode("utf-8"), header_policy(text), poser(prepared, result.tolerance_m), record)


def server(of: Session, port: int = 0) -> ThreadingHTTPServer:
    """The server, bound to the loopback address and to a free port if none is given; `serve_forever` starts it.

    Raises InputError where the port is taken.
    """

    class Handler(_Handler):
        live = of

    try:
        return ThreadingHTTPServer((ADDRESS, port), Handler)
    except OSError as error:
        found = (error.strerror or str(error)).lower()
        raise InputError(Mistake(("--port",), "a port that is free", f"{port}: {found}", "name another one")) from None


class _Handler(BaseHTTPRequestHandler):
    live: Session
    server_version = "clearance"
    sys_version = ""
    timeout = 30

    def do_GET(self) -> None:
        if not self._ours():
            return
        if self.path == "/":
            self._send(HTTPStatus.OK, "text/html; charset=utf-8", self.live.page)
        else:
            self._said(HTTPStatus.NOT_FOUND, {"error": "there is only the page"})

    def do_POST(self) -> None:
        if not self._ours():
            return
        if self.path not in ("/pose", "/practice"):
            self._said(HTTPStatus.NOT_FOUND, {"error": "there is no such question"})
            return
        if self.headers.get("Origin") is None or self.headers.get_content_type() != "application/json":
            self._said(HTTPStatus.FORBIDDEN, {"error": "only the page itself may ask"})
            return
        try:
            asked = self._asked()
            answer = posed(self.live, asked) if self.path == "/pose" else practised(self.live, asked)
        except ClearanceError as error:
            self._said(HTTPStatus.UNPROCESSABLE_ENTITY, {"error": str(error)})
            return
        self._said(HTTPStatus.OK, answer)

    def _ours(self) -> bool:
        """Whether the request is for this address and from its own page: else a page elsewhere could ask through a
        browser on this machine, under a name that it made point here."""
        port = int(self.server.server_address[1])  # type: ignore[index]
        hosts = {f"{ADDRESS}:{port}", f"localhost:{port}"}
        origin = self.headers.get("Origin")
        if self.headers.get("Host") in hosts and (origin is None or origin.removeprefix("http://") in hosts):
            return True
        self._said(HTTPStatus.FORBIDDEN, {"error": "this page answers only for its own address"})
        return False

    def _asked(self) -> Mapping[str, Any]:
        length = self.headers.get("Content-Length", "")
        if not length.isdigit() or int(length) > MOST_ASKED:
            raise InputError(Mistake(("question",), f"at most {MOST_ASKED} bytes", length or "no length"))
        try:
            found = json.loads(self.rfile.read(int(length)))
        except ValueError:
            raise InputError(Mistake(("question",), "JSON", "something else")) from None
        if not isinstance(found, dict):
            raise InputError(Mistake(("question",), "an object", type(found).__name__))
        return found

    def _said(self, status: HTTPStatus, answer: Mapping[str, Any]) -> None:
        text = json.dumps(answer, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        self._send(status, "application/json; charset=utf-8", text.encode("utf-8"))

    def _send(self, status: HTTPStatus, kind: str, body: bytes) -> None:
        self.send_response(status)
        for name, value in (
            ("Content-Type", kind),
            ("Content-Length", str(len(body))),
            ("Content-Security-Policy", self.live.policy),
            ("X-Content-Type-Options", "nosniff"),
            ("X-Frame-Options", "DENY"),
            ("Referrer-Policy", "no-referrer"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
            ("Cache-Control", "no-store"),
        ):
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Nothing is written for each request."""


def posed(live: Session, asked: Mapping[str, Any]) -> dict[str, Any]:
    """The answer to a pose: {"stage": its index, "at": {parameter: value}}. Raises InputError."""
    stage, at = asked.get("stage"), asked.get("at")
    if not isinstance(stage, int) or isinstance(stage, bool):
        raise InputError(Mistake(("question", "stage"), "the index of a stage", repr(stage)))
    if not isinstance(at, dict) or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in at.values()):
        raise InputError(Mistake(("question", "at"), "numbers by parameter", repr(at)[:80]))
    return pose_at(live.poser, stage, at)


def practised(live: Session, asked: Mapping[str, Any]) -> dict[str, Any]:
    """The answer to a practice round, which is recorded first: a pose, and "by", the trainee. Raises InputError."""
    answer = posed(live, asked)
    scene = live.poser.prepared.site.scene
    with live.writing:
        live.rounds += 1
        line = {
            "format": 1,
            "round": live.rounds,
            "after_s": round(time.monotonic() - live.began, 1),
            "by": str(asked.get("by", ""))[:MOST_NAME],
            "scene": {"name": scene.name, "sha256": scene.sha256},
            "task": scene.stages[asked["stage"]].name,
            "at": answer["at"],
            "outside_stage_range": answer["outside"],
            "word": answer["word"],
            "gaps": [
                {key: answer["found"][k][key] for key in ("what", "check", "verdict", "exact", "chain")}
                for k in answer["govern"]
            ],
        }
        if live.record is not None:
            with live.record.open("a", encoding="utf-8") as file:
                file.write(json.dumps(line, ensure_ascii=False, allow_nan=False) + "\n")
    return answer | {"round": live.rounds, "recorded": live.record is not None}
