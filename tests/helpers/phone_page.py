"""The page on the phone, played without a browser."""

from __future__ import annotations

import http.client
import json
from typing import Any
from urllib.parse import urlsplit


class Phone:
    """What a page does, by plain HTTP."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self.host, self.port, self.base = parts.hostname or "", parts.port or 0, parts.path

    def ask(
        self, method: str, path: str, body: Any = None, base: str | None = None
    ) -> tuple[int, Any, dict[str, str]]:
        link = http.client.HTTPConnection(self.host, self.port, timeout=10)
        text = body if isinstance(body, str | None) else json.dumps(body)
        link.request(method, (self.base if base is None else base) + path, text)
        reply = link.getresponse()
        data = reply.read()
        link.close()
        is_json = reply.headers.get("Content-Type") == "application/json"
        return reply.status, json.loads(data) if is_json else data, dict(reply.headers)

    def state(self, after: int = -1) -> dict[str, Any]:
        return dict(self.ask("GET", f"state?after={after}")[1])

    def press(self, number: int, button: str = "done") -> bool:
        return bool(self.ask("POST", "press", {"number": number, "button": button})[1]["taken"])

    def see(self) -> int:
        number = int(self.state()["prompt"]["number"])
        self.ask("POST", "seen", {"number": number})
        return number
