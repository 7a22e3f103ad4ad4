"""What is looked at of every request before pygeoapi sees it: who asks, for what, and how much of it there is."""

import io
import json
import re
from collections.abc import Callable, Iterable
from typing import Any, Final
from urllib.parse import parse_qsl

MOST_BYTES: Final = 16_000_000
"""Of the body of a request."""

DEEPEST: Final = 40
"""Mappings and lists that lie in one another."""

ROUTES: Final = (
    (re.compile(r"/|/conformance|/openapi|/processes|/processes/\w+|/jobs|/jobs/\w+/results"), ("GET", "HEAD")),
    (re.compile(r"/jobs/\w+/files(/[^/\\\x00-\x1f]+)?"), ("GET", "HEAD")),
    (re.compile(r"/jobs/\w+"), ("GET", "HEAD", "DELETE")),
    (re.compile(r"/processes/\w+/execution"), ("POST",)),
)
QUERY: Final = {"f": re.compile("json"), "limit": re.compile(r"[0-9]{1,6}"), "offset": re.compile(r"[0-9]{1,9}")}

Environ = dict[str, Any]
Start = Callable[..., Any]
App = Callable[[Environ, Start], Iterable[bytes]]


class RefusedError(Exception):
    def __init__(self, status: str, text: str, code: str = "InvalidParameterValue") -> None:
        super().__init__(text)
        self.status, self.code = status, code


def gate(app: App, port: int) -> App:
    """`app` behind the gate; `port` is that at which it is on the loopback.

    Another web page that is open in a browser on this machine may not ask it: the names of hosts and origins are looked at, and a body must
    be JSON by its type, which a page may not send elsewhere without asking first.
    """
    hosts = {f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]")} | ({"127.0.0.1", "localhost"} if port == 80 else set())

    def asked(environ: Environ, start: Start) -> Iterable[bytes]:
        try:
            _look(environ, hosts)
        except RefusedError as refused:
            return _refusal(refused, start)
        return app(environ, start)

    return asked


def refusal(text: str, code: str = "InvalidParameterValue") -> dict[str, str]:
    """An exception of the standard, ready for JSON."""
    return {"type": code, "code": code, "title": code, "description": text}


def _refusal(refused: RefusedError, start: Start) -> Iterable[bytes]:
    body = json.dumps(refusal(str(refused), refused.code)).encode()
    start(refused.status, [("Content-Type", "application/json"), ("Content-Length", str(len(body))), ("Connection", "close")])
    return [body]


def _look(environ: Environ, hosts: set[str]) -> None:
    """Raises RefusedError; the body of a request that goes on has been read and is known to be JSON."""
    host, origin = environ.get("HTTP_HOST", ""), environ.get("HTTP_ORIGIN")
    if host not in hosts:
        raise RefusedError("403 Forbidden", "This server answers on this machine's own loopback address only.")
    if (origin is not None and origin.partition("://")[2] not in hosts) or environ.get("HTTP_SEC_FETCH_SITE") in (
        "cross-site",
        "same-site",
    ):
        raise RefusedError("403 Forbidden", "This server does not answer the pages of others.")
    methods = next((methods for pattern, methods in ROUTES if pattern.fullmatch(environ["PATH_INFO"])), None)
    if methods is None:
        raise RefusedError("404 Not Found", "There is nothing at this address.", "NotFound")
    if environ["REQUEST_METHOD"] not in methods:
        raise RefusedError("405 Method Not Allowed", f"Only {', '.join(methods)} here.")
    for name, value in _query(environ.get("QUERY_STRING", "")):
        if name not in QUERY or not QUERY[name].fullmatch(value):
            raise RefusedError("400 Bad Request", "The query may have f=json, limit and offset, and nothing else.")
    environ["HTTP_ACCEPT"] = "application/json"
    environ.pop("HTTP_ACCEPT_LANGUAGE", None)
    if "respond-async" in re.split(r"[,;\s]+", environ.get("HTTP_PREFER", "")):
        # The one form of the wish that pygeoapi knows.
        environ["HTTP_PREFER"] = "respond-async"
    # pygeoapi reads the body of any request, however long it is.
    body = _body(environ) if environ["REQUEST_METHOD"] == "POST" else b""
    environ |= {"wsgi.input": io.BytesIO(body), "CONTENT_LENGTH": str(len(body))}
    environ.pop("HTTP_TRANSFER_ENCODING", None)


def _query(text: str) -> list[tuple[str, str]]:
    try:
        return parse_qsl(text, keep_blank_values=True, max_num_fields=20)
    except ValueError:
        raise RefusedError("400 Bad Request", "The query holds too much.") from None


def _body(environ: Environ) -> bytes:
    if environ.get("CONTENT_TYPE", "").partition(";")[0].strip().lower() != "application/json":
        raise RefusedError("415 Unsupported Media Type", "The body must be of the type application/json.")
    length = environ.get("CONTENT_LENGTH", "")
    if not length.isdecimal() or environ.get("HTTP_TRANSFER_ENCODING"):
        raise RefusedError("411 Length Required", "The request must state the length of its body.")
    if int(length[:20]) > MOST_BYTES:
        raise RefusedError("413 Content Too Large", f"The body is longer than {MOST_BYTES:,} bytes. Put layers into the folder of data.")
    body: bytes = environ["wsgi.input"].read(int(length))
    try:
        found = json.loads(body.decode("utf-8"), parse_constant=_no_number)
        _refuse_deep(found)
        json.dumps(found, ensure_ascii=False).encode("utf-8")  # or half a character is in it
    except (ValueError, RecursionError) as error:
        raise RefusedError("400 Bad Request", f"The body cannot be read as JSON: {type(error).__name__}.") from None
    if not isinstance(found, dict):
        raise RefusedError("400 Bad Request", "The body must be an object with inputs.")
    if not isinstance(found.get("inputs", {}), dict):
        raise RefusedError("400 Bad Request", "inputs must be an object of names and values.")
    if "subscriber" in found:
        raise RefusedError("400 Bad Request", "Nobody is notified: this server calls no address. Ask for the job instead.")
    return body


def _no_number(word: str) -> float:
    raise ValueError(word)


def _refuse_deep(found: object) -> None:
    layer = [found]
    for _ in range(DEEPEST):
        layer = [inner for one in layer if isinstance(one, dict | list) for inner in (one.values() if isinstance(one, dict) else one)]
        if not layer:
            return
    raise RecursionError
