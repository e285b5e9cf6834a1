"""Somebody at the pages, without a browser: forms sent as the pages would send them."""

from __future__ import annotations

import http.client
import io
import json
import random
import secrets
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

CSRF = "refettle_csrf"


class Gone(Exception):  # noqa: N818 - reads as what it is
    """There was no whole answer: whether it was done is not known."""


class Browser:
    """One connection to the server, kept as long as it holds."""

    def __init__(self, port: int, timeout: float = 60) -> None:
        self.port, self.timeout = port, timeout
        self.secret = secrets.token_hex(16)  # the cookie against forms from elsewhere: both halves are ours
        self._link: http.client.HTTPConnection | None = None

    def close(self) -> None:
        """Let the connection go."""
        if self._link is not None:
            self._link.close()
            self._link = None

    def _ask(self, method: str, path: str, body: bytes | None, headers: dict[str, str]) -> tuple[int, str, bytes]:
        if self._link is None:
            self._link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=self.timeout)
        try:
            self._link.request(method, path, body, {"Cookie": f"{CSRF}={self.secret}", **headers})
            answer = self._link.getresponse()
            return answer.status, answer.headers.get("Location", ""), answer.read()
        except (OSError, http.client.HTTPException) as error:
            self.close()
            raise Gone(f"{type(error).__name__}: {error}") from None

    def get(self, path: str) -> tuple[int, bytes]:
        """Status and content. Raises Gone."""
        status, _, content = self._ask("GET", path, None, {})
        return status, content

    def post(
        self, path: str, form: Mapping[str, str], files: Mapping[str, tuple[str, bytes]] | None = None
    ) -> tuple[int, str, bytes]:
        """Status, where it leads, and content. Raises Gone."""
        form = {"csrfmiddlewaretoken": self.secret, **form}
        if not files:
            kind = "application/x-www-form-urlencoded"
            return self._ask("POST", path, urlencode(form).encode(), {"Content-Type": kind})
        mark = secrets.token_hex(16)
        out = io.BytesIO()
        for name, value in form.items():
            out.write(f'--{mark}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode())
        for name, (called, data) in files.items():
            head = f'Content-Disposition: form-data; name="{name}"; filename="{called}"'
            out.write(f"--{mark}\r\n{head}\r\nContent-Type: application/octet-stream\r\n\r\n".encode() + data + b"\r\n")
        out.write(f"--{mark}--\r\n".encode())
        return self._ask("POST", path, out.getvalue(), {"Content-Type": f"multipart/form-data; boundary={mark}"})

    def log(self, job: int) -> list[dict[str, Any]]:
        """A job's log. Raises Gone."""
        status, content = self.get(f"/jobs/{job}/log.jsonl")
        if status != 200:
            raise RuntimeError(f"/jobs/{job}/log.jsonl: status {status}")
        return [json.loads(line) for line in content.decode().splitlines() if line]


def a_photo(chance: random.Random, wide: int = 320, high: int = 240) -> bytes:
    """A JPEG that is like no other."""
    from PIL import Image

    rough = Image.frombytes("RGB", (8, 6), chance.randbytes(8 * 6 * 3))
    out = io.BytesIO()
    rough.resize((wide, high), Image.Resampling.BICUBIC).save(out, "JPEG", quality=85)
    return out.getvalue()


def a_parts_list(name: str) -> bytes:
    """A board's parts list that is like no other."""
    return f"ref,value,note\nC1,47u 16V,{name}\nC2,10u 25V,\n".encode()
