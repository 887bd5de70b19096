"""The tool with its advice from a service: `python over_http.py http://127.0.0.1:8080`. Standard library only."""

import http.client
import json
import sys
import time
from typing import Any
from urllib.parse import urlsplit

from door_tool import Json, RefusedError, design

PATIENCE = 5
"""How often a request is sent that the service had no place for, or that got lost; each is safe to repeat."""


class Service:
    """Adviser over one kept connection."""

    def __init__(self, url: str) -> None:
        at = urlsplit(url)
        kind = http.client.HTTPSConnection if at.scheme == "https" else http.client.HTTPConnection
        self._line = kind(at.netloc, timeout=90)

    def needs(self, request: Json) -> Json:
        """Quick or not at all: a form does not wait, and the next change asks again."""
        return self._answer("/v1/needs", request, wait_s=2)

    def assess(self, request: Json) -> Json:
        """The whole answer; a save may take its time."""
        return self._answer("/v1/assessments", request, wait_s=60)

    def _answer(self, path: str, request: Json, wait_s: int) -> Json:
        body = json.dumps(request)
        headers = {"Content-Type": "application/json", "Prefer": f"wait={wait_s}"}
        for _ in range(PATIENCE):
            try:
                self._line.request("POST", path, body, headers)
                response = self._line.getresponse()
                answer: Any = json.loads(response.read())
            except (ConnectionError, http.client.HTTPException):
                self._line.close()  # the next request opens it anew
                continue
            match response.status:
                case 200:
                    return dict(answer)
                case 400 | 422:
                    raise RefusedError([(each["pointer"], each["detail"]) for each in answer["errors"]])
                case 503 if "Retry-After" in response.headers:
                    time.sleep(float(response.headers["Retry-After"]))
                case 503:  # the same work would take as long again
                    raise TimeoutError(answer["detail"])
                case _:
                    raise RuntimeError(f"{answer['detail']} (request {response.headers['X-Request-Id']})")
        raise TimeoutError(f"no answer from {path} in {PATIENCE} attempts")


if __name__ == "__main__":
    design(Service(sys.argv[1]))
