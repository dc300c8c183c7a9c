"""Files that never change under their name: scripts and styles, named by their content."""

import gzip
import hashlib
import mimetypes
from pathlib import Path
from typing import NamedTuple

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

WORKER = "worker.js"
_FOREVER = "public, max-age=31536000, immutable"


class _Held(NamedTuple):
    plain: bytes
    packed: bytes
    media_type: str


class StaticShelf:
    """Holds a folder of files in memory, each under a name that carries a hash of its content.

    Compressed once at the start, not at every request: the charting library is 1.2 MB.
    """

    def __init__(self, folder: Path | None) -> None:
        """Read every file under `folder`; None gives an empty shelf."""
        self._held: dict[str, _Held] = {}
        self._names: dict[str, str] = {}
        files = sorted(folder.rglob("*")) if folder is not None else []
        for file in files:
            if file.is_file() and folder is not None:
                self._take(file.relative_to(folder).as_posix(), file.read_bytes())

    def _take(self, name: str, content: bytes) -> None:
        stem, dot, ending = name.rpartition(".")
        mark = hashlib.sha256(content).hexdigest()[:10]
        hashed = f"{stem}.{mark}.{ending}" if dot else f"{name}.{mark}"
        kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
        self._names[name] = hashed
        self._held[hashed] = _Held(content, gzip.compress(content, 9, mtime=0), kind)

    def url_or_none(self, name: str) -> str | None:
        """Return the address of a file, None when there is no such file."""
        return self.url(name) if name in self._names else None

    def holds(self, hashed: str) -> bool:
        """Return whether a file of this name, its mark included, is handed out now."""
        return hashed in self._held

    def url(self, name: str) -> str:
        """Return the address of a file.

        Raises
        ------
        KeyError
            If there is no such file.
        """
        return f"/static/{self._names[name]}"

    async def serve(self, request: Request) -> Response:
        """Answer one file, to be kept for ever."""
        held = self._held.get(request.path_params["name"])
        if held is None:
            raise HTTPException(404)
        headers = {"Cache-Control": _FOREVER, "Vary": "Accept-Encoding"}
        if request.path_params["name"] == self._names.get(WORKER):
            headers["Service-Worker-Allowed"] = "/"  # it keeps pages of the whole house
        if "gzip" in request.headers.get("accept-encoding", ""):
            return Response(
                held.packed, headers={**headers, "Content-Encoding": "gzip"}, media_type=held.media_type
            )
        return Response(held.plain, headers=headers, media_type=held.media_type)
