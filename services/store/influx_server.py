"""Talking to an InfluxDB: the write path of 2.x and the InfluxQL reading path that 1.x, 2.x and 3.x share."""

import json
from collections.abc import Generator, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Any

import msgpack
import structlog
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS, WriteApi
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from services.errors import DependencyUnavailable
from services.store.influx_access import InfluxAccess

MOST_LINES = 5_000
"""Lines of one request."""
_CHUNK_ROWS = 10_000
_TOO_LARGE = 413
_NO_ANSWER = (HTTPError, OSError, UnicodeDecodeError, msgpack.exceptions.UnpackException, msgpack.FormatError)
"""Silence, a line that breaks, or words that no InfluxDB says."""
_ASK_A_PERSON = frozenset({401, 403, 404})
_PERMANENT = (
    "partial write",
    "field type conflict",
    "unable to parse",
    "beyond retention",
    "outside retention",
)
"""Words of a 400 that are about points; any other 400 is about the request, and points must not suffer."""

_log = structlog.get_logger(__name__)


class InfluxRefused(DependencyUnavailable):
    """The server is there but will not have us until somebody mends token, bucket or rights."""


@dataclass(frozen=True, slots=True)
class Table:
    """A part of an answer: the rows of one statement for one set of tags."""

    statement: int
    tags: dict[str, str]
    columns: list[str]
    values: list[list[Any]]


class InfluxServer:
    """One server and bucket; safe to share between threads."""

    def __init__(self, access: InfluxAccess) -> None:
        """Prepare to talk; nothing is sent yet."""
        self.access = access
        self.client = InfluxDBClient(
            url=access.url,
            token=access.token,
            org=access.org,
            timeout=round(access.timeout_s * 1000.0),
            enable_gzip=True,
            auth_basic=access.auth_basic,
        )
        self._writer: WriteApi = self.client.write_api(write_options=SYNCHRONOUS)
        self._said = ""

    def close(self) -> None:
        """Release the connections."""
        self._writer.close()
        self.client.close()

    def write(self, lines: Sequence[str], *, bucket: str | None = None) -> dict[int, str]:
        """Make lines durable; return which of them the server will never have, by place, with its words.

        Where it complains about some lines of a request the request is sent again in halves: what it took
        the first time it takes again as the same.

        Raises
        ------
        DependencyUnavailable
            If the server does not answer, or (`InfluxRefused`) somebody must mend something first.
        """
        refused: dict[int, str] = {}
        pieces = [(low, min(low + MOST_LINES, len(lines))) for low in range(0, len(lines), MOST_LINES)]
        while pieces:
            low, high = pieces.pop()
            complaint = self._post(lines[low:high], bucket or self.access.bucket)
            if complaint is None:
                continue
            if high - low == 1:
                refused[low] = complaint
                continue
            middle = (low + high) // 2
            pieces += [(middle, high), (low, middle)]
        return refused

    def version(self) -> str:
        """Return the server's version."""
        try:
            answer = self._call("/ping", {})
        except ApiException as error:
            raise self._trouble(error) from error
        except _NO_ANSWER as error:
            raise _silence(error) from error
        with closing(answer):
            return str(answer.headers.get("X-Influxdb-Version") or "unknown").removeprefix("v")

    def command(self, statement: str) -> None:
        """Carry out an InfluxQL statement that changes something.

        Raises
        ------
        DependencyUnavailable
            As `write`.
        """
        for _ in self.query(statement, method="POST"):
            pass

    def query(self, statements: str, *, method: str = "GET") -> Generator[Table, None, None]:
        """Yield the answer to InfluxQL statements, chunk by chunk, times in ns since the epoch.

        Raises
        ------
        DependencyUnavailable
            As `write`.
        """
        try:
            answer = self._call("/query", {"db": self.access.bucket, "q": statements}, method=method)
            with closing(answer):
                unpacker = msgpack.Unpacker(raw=False, max_buffer_size=0)
                for piece in answer.stream(1 << 16):
                    unpacker.feed(piece)
                    for part in unpacker:
                        yield from self._tables(part)
        except ApiException as error:
            raise self._trouble(error) from error
        except _NO_ANSWER as error:
            raise _silence(error) from error

    def _call(self, path: str, parameters: dict[str, str], *, method: str = "GET") -> Any:  # noqa: ANN401
        """Send a request of the reading path; return the answer unread."""
        given = {**parameters, "epoch": "ns", "chunked": "true", "chunk_size": str(_CHUNK_ROWS)}
        return self.client.api_client.call_api(
            path,
            method,
            query_params=list(given.items()),
            header_params={"Accept": "application/x-msgpack"},
            auth_settings=[],
            _preload_content=False,
            _return_http_data_only=True,
        )

    def _post(self, lines: Sequence[str], bucket: str) -> str | None:
        """Write lines in one request; return the server's complaint if it is about some of them."""
        try:
            self._writer.write(
                bucket=bucket,
                org=self.access.org,
                record="\n".join(lines).encode(),
                write_precision=WritePrecision.NS,  # type: ignore[arg-type] # a plain text there
            )
        except ApiException as error:
            words = _words_of(error)
            if error.status == _TOO_LARGE or _is_about_points(error.status, words):
                return words
            raise self._trouble(error) from error
        except _NO_ANSWER as error:
            raise _silence(error) from error
        self._said = ""
        return None

    def _tables(self, part: dict[str, Any]) -> Generator[Table, None, None]:
        for result in part.get("results", [part]):
            if "error" in result:
                raise self._refusal(str(result["error"]))
            for series in result.get("series", ()):
                yield Table(
                    result.get("statement_id", 0),
                    series.get("tags") or {},
                    series["columns"],
                    series.get("values") or [],
                )

    def _trouble(self, error: ApiException) -> DependencyUnavailable:
        words = _words_of(error)
        if error.status in _ASK_A_PERSON or 400 <= (error.status or 0) < 429 or "not found" in words:  # noqa: PLR2004
            return self._refusal(f"{error.status}: {words}")
        return DependencyUnavailable(f"the InfluxDB server answers {error.status}: {words}")

    def _refusal(self, words: str) -> InfluxRefused:
        """Say once what a person must mend."""
        said = (
            f"the InfluxDB server will not have us ({words}); see influx_url, influx_token and influx_bucket"
        )
        if said != self._said:
            _log.error("store.influx.refused", words=words, bucket=self.access.bucket)
            self._said = said
        return InfluxRefused(said)


def _silence(error: Exception) -> DependencyUnavailable:
    return DependencyUnavailable(f"the InfluxDB server does not answer: {error}")


def _is_about_points(status: int | None, words: str) -> bool:
    if status == 422:  # noqa: PLR2004 - Unprocessable Content, of 2.x
        return True
    return status == 400 and "limit exceeded" not in words and any(each in words for each in _PERMANENT)  # noqa: PLR2004


def _words_of(error: ApiException) -> str:
    """Return what the server said, out of whichever envelope."""
    body = error.body if isinstance(error.body, bytes) else str(error.body or "").encode()
    for opened in (json.loads, msgpack.unpackb):
        try:
            said = opened(body)
        except (ValueError, msgpack.exceptions.UnpackException):
            continue
        if isinstance(said, dict):
            return str(said.get("error") or said.get("message") or said)
    return body.decode(errors="replace").strip() or str(error.reason)
