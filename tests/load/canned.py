"""The same stack without the work: reads the request, answers with bytes of a file. What the service is compared with.

`python tests/load/canned.py FILE`, which holds headers in JSON on its first line, then the content. Litestar, uvicorn
with our protocol, and our outermost layer, as in the service; but for one thing: this handler is reached through litestar's routing, as anybody's would be, and the service's routes that
compute go round it.
"""

import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
from litestar import Litestar, Request, route
from litestar.response.base import ASGIResponse

from sillcast.web.edge import Cors, Edge, Metrics
from sillcast.web.server import serve
from sillcast.web.settings import Settings

HEADERS, ANSWER = Path(sys.argv[1]).read_bytes().split(b"\n", 1)
KEPT = msgspec.json.decode(HEADERS, type=dict[str, str])


async def handle(request: Request[Any, Any, Any]) -> ASGIResponse:
    body = bytearray()
    while (event := await request.receive())["type"] == "http.request":
        body += event.get("body", b"")
        if not event.get("more_body", False):
            break
    return ASGIResponse(body=ANSWER, headers=KEPT)


app = Litestar(
    [route("/canned", http_method=["POST"], status_code=200)(handle)], openapi_config=None, logging_config=None
)
edge = Edge(app.asgi_handler, Metrics(), Cors(""), {})
app.asgi_handler = edge
app.state.service = SimpleNamespace(edge=edge, failure="", on_failure=None)

if __name__ == "__main__":
    serve(app, Settings(port=0, drain_s=0.0))
