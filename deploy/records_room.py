"""What an administrator does with the records as a whole: one thing at a time, beside the pages."""

import secrets
import shutil
import threading
import zipfile
from collections.abc import Callable
from pathlib import Path

import structlog

from deploy import records_export
from services.api.recordsroom import Form, RecordsFile, RecordsState, Task
from services.errors import BushlarderError, DependencyUnavailable, Refused
from services.records.facade import Records
from services.timebase import DAY_MS, SECOND_MS, iso_of

LIFE_MS = DAY_MS
"""How long an export can be fetched (judgement): it holds everything people said."""
EXPORTED = "records_exported"

_log = structlog.get_logger(__name__)


class RecordsRoom:
    """Holds what is being done, and exports until they end or the process does."""

    def __init__(
        self,
        records: Records,
        folder: Path,
        *,
        keep_days: int,
        clock: Callable[[], int],
        enough: Callable[[], bool] = lambda: True,
        life_ms: int = LIFE_MS,
    ) -> None:
        """Take the records, where exports lie, and what says whether there is room on the disk."""
        self._records = records
        self._folder = folder
        self._keep_days = keep_days
        self._clock = clock
        self._enough = enough
        self._life_ms = life_ms
        self._lock = threading.Lock()
        self._task: Task | None = None
        self._files: dict[str, RecordsFile] = {}
        shutil.rmtree(folder, ignore_errors=True)  # the addresses of those went with the last process

    def state(self) -> RecordsState:
        """Return how the records stand."""
        self._let_go()
        links, head = self._records.chain_head()
        with self._lock:
            return RecordsState(
                links=links,
                head=head,
                verified=self._records.last_verified(),
                keep_days=self._keep_days,
                task=self._task,
                files=tuple(sorted(self._files.values(), key=lambda file: -file.made_ms)),
            )

    def verify(self, head: str, *, who: str) -> None:
        """Begin to look over every record; `head` is a link noted earlier, or empty."""
        self._begin(Task("verify", who, self._clock()), lambda task: self._verify(task, head))

    def export(self, form: Form, *, who: str) -> None:
        """Begin to write everything into one file."""
        if not self._enough():
            raise Refused("There is too little room on the disk for an export.")
        self._begin(Task("export", who, self._clock()), lambda task: self._export(task, form))

    def forget(self, name: str, *, who: str) -> None:
        """Begin to take a person out."""
        self._begin(Task("forget", who, self._clock()), lambda task: self._forget(task, name))

    def file(self, token: str) -> RecordsFile | None:
        """Return an export that has not ended yet."""
        self._let_go()
        with self._lock:
            return self._files.get(token)

    def _begin(self, task: Task, act: Callable[[Task], None]) -> None:
        with self._lock:
            if self._task is not None and self._task.ended_ms is None:
                raise Refused("Something is being done already. Wait until it has ended.")
            self._task = task
        threading.Thread(target=self._run, args=(task, act), name=f"records-{task.kind}", daemon=True).start()

    def _run(self, task: Task, act: Callable[[Task], None]) -> None:
        try:
            act(task)
        except (BushlarderError, OSError) as error:
            task.refused = str(error)
        except Exception:  # noqa: BLE001 - nobody else waits for this thread
            _log.exception("records.task.failed", kind=task.kind)
            task.refused = "Something went wrong here; it has been written to the log."
        finally:
            task.ended_ms = self._clock()

    def _verify(self, task: Task, head: str) -> None:
        task.of = self._records.chain_head()[0]

        def told(count: int) -> None:
            task.done = count

        found = self._records.verify_chain([head] if head else (), told=told)
        self._records.note_verified(found, who=task.who, now_ms=self._clock())
        task.checked = found

    def _forget(self, task: Task, name: str) -> None:
        task.forgotten = self._records.forget_person(name, who=task.who, now_ms=self._clock())
        with self._lock:
            files = list(self._files)
        for token in files:
            self._drop(token)  # they hold the name
        try:
            self._records.tidy()
        except DependencyUnavailable:
            task.refused = "The file was in use: bytes it freed hold the name until they are written over."

    def _export(self, task: Task, form: Form) -> None:
        made_ms, token = self._clock(), secrets.token_urlsafe(32)
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        stem = f"bushlarder-records-{iso_of(made_ms)[:10]}-{form}"
        files, path = self._folder / f"{token}.files", self._folder / f"{token}.zip"
        try:
            records_export.export(self._records, files, form, now_ms=made_ms)
            _zip(files, path, stem)
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        finally:
            shutil.rmtree(files, ignore_errors=True)
        size, digest = path.stat().st_size, records_export.sum_of(path)
        body = {"form": form, "bytes": size, "sha256": digest}
        self._records.note_event(EXPORTED, "records", body, who=task.who, now_ms=made_ms)
        with self._lock:
            self._files[token] = RecordsFile(
                token, path, form, size, digest, made_ms, made_ms + self._life_ms, task.who
            )
        timer = threading.Timer(self._life_ms / SECOND_MS, self._drop, [token])
        timer.daemon = True
        timer.start()

    def _let_go(self) -> None:
        now_ms = self._clock()
        with self._lock:
            ended = [token for token, file in self._files.items() if file.ends_ms <= now_ms]
        for token in ended:
            self._drop(token)

    def _drop(self, token: str) -> None:
        with self._lock:
            file = self._files.pop(token, None)
        if file is not None:
            file.path.unlink(missing_ok=True)


def _zip(files: Path, path: Path, stem: str) -> None:
    """Put files into one, readable by its owner only."""
    path.touch(mode=0o600)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as whole:
        for file in sorted(files.iterdir()):
            whole.write(file, f"{stem}/{file.name}")
