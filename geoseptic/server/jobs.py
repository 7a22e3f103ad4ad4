"""Jobs: each a run in a process of its own and a folder of its own, waiting for its turn, told on the way, dismissed when it is wanted no
more."""

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import uuid
from collections import deque
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Final

from geoseptic.catalog import PROCESSES
from geoseptic.server.requests import Asked, config_of

ACCEPTED, RUNNING, SUCCESSFUL, FAILED = "accepted", "running", "successful", "failed"

RECORD: Final = "job.json"
OUTPUTS: Final = "outputs"
INPUTS: Final = "inputs"
LOG: Final = "log.txt"

GRACE_S: Final = 10.0
"""How long a run that was asked to end may clear up."""


class TooManyJobsError(RuntimeError):
    """More jobs wait than the server takes."""


@dataclass(frozen=True)
class Job:
    """A job as it stands. `outputs` and `values` are what was asked for; `refused` is whether it failed by its inputs."""

    id: str
    process: str
    created: str
    status: str = ACCEPTED
    message: str = "waits for its turn"
    progress: int = 0
    started: str | None = None
    finished: str | None = None
    updated: str | None = None
    outputs: tuple[str, ...] | None = None
    values: tuple[str, ...] = ()
    summary: Mapping[str, Any] = field(default_factory=dict)
    refused: bool = False

    @property
    def is_over(self) -> bool:
        return self.status in (SUCCESSFUL, FAILED)

    @property
    def files(self) -> list[str]:
        """Names of the files that it has written, as its run told them."""
        return [str(name) for name in self.summary.get("outputs", ())]


class Jobs:
    """The jobs of a server; all in `folder`, which is its alone. `at_once` of them run, so many `waiting` wait, each with `workers`."""

    def __init__(self, folder: Path, *, at_once: int = 1, waiting: int = 20, workers: int = 1) -> None:
        self.folder = folder.absolute()
        self._at_once, self._waiting, self._workers = at_once, waiting, workers
        self._changed = threading.Condition()
        self._jobs: dict[str, Job] = {}
        self._queue: deque[tuple[str, Asked]] = deque()
        self._running: dict[str, subprocess.Popen[bytes]] = {}
        self._open = True
        self._take_up()
        self._threads = [threading.Thread(target=self._work, daemon=True) for _ in range(at_once)]
        for thread in self._threads:
            thread.start()

    def submit(self, asked: Asked) -> Job:
        """A new job. Raises TooManyJobsError where too many wait."""
        job = Job(uuid.uuid4().hex, asked.process, _now(), updated=_now(), outputs=asked.outputs, values=tuple(sorted(asked.values)))
        with self._changed:
            if len(self._queue) >= self._waiting or not self._open:
                raise TooManyJobsError(f"{len(self._queue)} jobs wait already. Try again later.")
            inputs = self.folder / job.id / INPUTS
            inputs.mkdir(parents=True)
            for name, layer in asked.layers.items():
                # The type first, by which a reader knows the file.
                text = json.dumps({"type": layer["type"], **layer}, allow_nan=False)
                (inputs / f"{name}.geojson").write_text(text, encoding="utf-8")
            self._put(job)
            self._queue.append((job.id, asked))
            self._changed.notify_all()
        return job

    def get(self, job_id: str) -> Job | None:
        with self._changed:
            return self._jobs.get(job_id)

    def all(self) -> list[Job]:
        """The newest first."""
        with self._changed:
            return sorted(self._jobs.values(), key=lambda job: (job.created, job.id), reverse=True)

    def wait(self, job_id: str) -> Job | None:
        """The job when it is over; None where it was dismissed meanwhile."""
        with self._changed:
            self._changed.wait_for(lambda: (job := self._jobs.get(job_id)) is None or job.is_over)
            return self._jobs.get(job_id)

    def outputs_of(self, job: Job) -> Path:
        return self.folder / job.id / OUTPUTS

    def dismiss(self, job_id: str) -> bool:
        """End the job if it runs, and take away all that it left; whether there was one."""
        with self._changed:
            if self._jobs.pop(job_id, None) is None:
                return False
            self._queue = deque(entry for entry in self._queue if entry[0] != job_id)
            child = self._running.get(job_id)
            self._changed.notify_all()
        if child is not None:
            _end(child)
        shutil.rmtree(self.folder / job_id, ignore_errors=True)
        return True

    def close(self) -> None:
        """End what runs; what waits is told as failed by the next server with this folder."""
        with self._changed:
            self._open = False
            children = list(self._running.values())
            self._changed.notify_all()
        for child in children:
            _end(child)
        for thread in self._threads:
            thread.join(GRACE_S)

    def _take_up(self) -> None:
        """The jobs of earlier servers."""
        for record in self.folder.glob(f"*/{RECORD}"):
            try:
                found = json.loads(record.read_text(encoding="utf-8"))
                job = Job(**{**found, "values": tuple(found["values"]), "outputs": found["outputs"] and tuple(found["outputs"])})
            except (OSError, ValueError, TypeError, KeyError):
                continue
            if job.id != record.parent.name or job.process not in PROCESSES:
                continue
            if not job.is_over:
                job = replace(job, status=FAILED, message="the server ended before this job did", finished=_now())
            self._put(job)

    def _put(self, job: Job) -> None:
        """Keep the job, beside its files too, unless only its progress is new."""
        before = self._jobs.get(job.id)
        self._jobs[job.id] = job
        if before is None or before.status != job.status:
            path = self.folder / job.id / RECORD
            draft = path.with_suffix(".new")
            draft.write_text(json.dumps(job.__dict__), encoding="utf-8")
            draft.replace(path)

    def _work(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._queue or not self._open)
                if not self._open:
                    return
                job_id, asked = self._queue.popleft()
                self._put(replace(self._jobs[job_id], status=RUNNING, message="starts", started=_now(), updated=_now()))
                try:
                    child = self._start(job_id)
                except OSError as error:
                    self._change(job_id, status=FAILED, message=f"could not be started: {error}", finished=_now())
                    continue
                self._running[job_id] = child
            try:
                end = self._follow(job_id, asked, child)
            finally:
                with self._changed:
                    del self._running[job_id]
            self._change(job_id, finished=_now(), **end)

    def _start(self, job_id: str) -> subprocess.Popen[bytes]:
        """A process for the job, of the same code as this one, in a group of its own: a request to end the server is not one to end it."""
        package = str(Path(__file__).parents[2])
        path = os.pathsep.join([package, *filter(None, [os.environ.get("PYTHONPATH")])])
        command = [sys.executable, "-P", "-m", "geoseptic.server.child"]
        pipe = subprocess.PIPE
        with (self.folder / job_id / LOG).open("wb") as log:
            return subprocess.Popen(
                command,
                stdin=pipe,
                stdout=pipe,
                stderr=log,
                cwd=self.folder / job_id,
                env={**os.environ, "PYTHONPATH": path},
                start_new_session=True,
            )

    def _follow(self, job_id: str, asked: Asked, child: subprocess.Popen[bytes]) -> dict[str, Any]:
        """Tell the process what to do, and how far it is to whoever asks; what the job is when it is over."""
        assert child.stdin is not None and child.stdout is not None
        folder = self.folder / job_id
        config = config_of(asked, {name: str(folder / INPUTS / f"{name}.geojson") for name in asked.layers})
        if any(parameter.name == "workers" for parameter in PROCESSES[asked.process].parameters):
            config["workers"] = self._workers
        end: dict[str, Any] = {}
        steps = _Steps()
        with suppress(BrokenPipeError):
            child.stdin.write(json.dumps({"process": asked.process, "config": config, "out": str(folder / OUTPUTS)}).encode() + b"\n")
            child.stdin.flush()
        for told in _lines(child.stdout):
            if "stage" in told:
                self._change(job_id, message=str(told["stage"]), progress=steps.percent(str(told["stage"])))
            elif "summary" in told:
                end = {"status": SUCCESSFUL, "message": told["summary"]["status"], "progress": 100, "summary": told["summary"]}
            elif "error" in told:
                end = {"status": FAILED, "message": told["error"], "refused": told["code"] in (2, 3)}
        code = child.wait()
        with suppress(BrokenPipeError):
            child.stdin.close()
        child.stdout.close()
        return end or {"status": FAILED, "message": f"the run ended with {code} and said nothing; nothing was written"}

    def _change(self, job_id: str, **new: Any) -> None:
        with self._changed:
            job = self._jobs.get(job_id)
            if job is not None:  # or it was dismissed
                self._put(replace(job, **{"updated": _now(), **new}))
                self._changed.notify_all()


class _Steps:
    """Percent by the order of a run's stages, which says nothing of time: reading up to 25, then a quarter of what is left at each stage,
    writing from 90."""

    def __init__(self) -> None:
        self._reached = 0.0

    def percent(self, stage: str) -> int:
        if stage.startswith("writing"):
            self._reached = max(self._reached, 90.0)
        else:
            top = 25.0 if stage.startswith(("checking headers", "hashing", "reading")) and self._reached < 25.0 else 90.0
            self._reached += (top - self._reached) / 4.0
        return round(self._reached)


def _lines(stream: IO[bytes]) -> Any:
    for line in stream:
        with suppress(ValueError):
            told = json.loads(line)
            if isinstance(told, dict):
                yield told


def _end(child: subprocess.Popen[bytes]) -> None:
    """Ask the process to end, and its whole group where it does not."""
    with suppress(ProcessLookupError):
        child.terminate()
    with suppress(subprocess.TimeoutExpired):
        child.wait(GRACE_S)
    # Workers of its own may be left, whether or not it has ended.
    with suppress(ProcessLookupError, PermissionError):
        if hasattr(os, "killpg"):
            os.killpg(child.pid, signal.SIGKILL)
        else:
            child.kill()


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
