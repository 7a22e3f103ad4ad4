"""The processes and jobs as pygeoapi wants to see them."""

from http import HTTPStatus
from pathlib import Path
from typing import Any

from pygeoapi.process.base import BaseProcessor, JobNotFoundError, ProcessorExecuteError
from pygeoapi.process.manager.base import BaseManager
from pygeoapi.util import JobStatus, RequestedProcessExecutionMode

from geoseptic.catalog import PROCESSES
from geoseptic.errors import ParameterError
from geoseptic.run.describe import description
from geoseptic.run.version import version
from geoseptic.server.folder import DataFolder
from geoseptic.server.jobs import FAILED, Job, Jobs, TooManyJobsError
from geoseptic.server.requests import asked
from geoseptic.server.results import results
from geoseptic.server.sources import Sources

JSON = "application/json"
LONGEST_REFUSAL = 4000


class RefusedError(ProcessorExecuteError):
    """A request that is refused."""

    ogc_exception_code = "InvalidParameterValue"
    http_status_code = HTTPStatus.BAD_REQUEST


class BusyError(ProcessorExecuteError):
    """A request that may be taken later."""

    ogc_exception_code = "ServerBusy"
    http_status_code = HTTPStatus.SERVICE_UNAVAILABLE


class FailedError(ProcessorExecuteError):
    """A run that broke down by no fault of the request's."""

    ogc_exception_code = "NoApplicableCode"
    http_status_code = HTTPStatus.INTERNAL_SERVER_ERROR


class Described(BaseProcessor):
    """A process, to be described; it is run by the manager."""

    def __init__(self, processor_def: dict[str, Any]) -> None:
        super().__init__(processor_def, description(PROCESSES[processor_def["process"]], version()))
        self.supports_outputs = True


class Manager(BaseManager):
    """Checks requests, hands them to the jobs, and tells of these."""

    def __init__(self, manager_def: dict[str, Any]) -> None:
        super().__init__(manager_def)
        self.is_async = True
        self.supports_subscribing = False
        self.address = manager_def["address"]
        self.jobs = Jobs(Path(manager_def["out"]), workers=manager_def["workers"])
        self.sources = Sources(DataFolder(Path(manager_def["data"])), self.jobs, self.address)

    def execute_process(
        self,
        process_id: str,
        data_dict: Any,
        execution_mode: Any = None,
        requested_outputs: Any = None,
        subscriber: Any = None,
        requested_response: Any = None,
    ) -> tuple[str, str, Any, Any, dict[str, str]]:
        """The job's id, the type of the answer, the answer, the job's state and headers. Raises RefusedError, BusyError, FailedError."""
        if subscriber is not None:
            raise RefusedError(user_msg="Nobody is notified: this server calls no address.")
        try:
            wanted = asked(PROCESSES[process_id], data_dict, requested_outputs, self.sources)
        except ParameterError as error:
            raise RefusedError(user_msg=_short(str(error))) from None
        try:
            job = self.jobs.submit(wanted)
        except TooManyJobsError as error:
            raise BusyError(user_msg=str(error)) from None
        if execution_mode == RequestedProcessExecutionMode.respond_async:
            applied = {"Preference-Applied": RequestedProcessExecutionMode.respond_async.value}
            return job.id, JSON, None, JobStatus.accepted, applied
        done = self.jobs.wait(job.id)
        if done is None:
            raise RefusedError(user_msg="The job was dismissed.")
        if done.status == FAILED:
            raise (RefusedError if done.refused else FailedError)(user_msg=done.message)
        return done.id, JSON, results(done, self.jobs.outputs_of(done), self.address), JobStatus.successful, {}

    def get_jobs(self, status: Any = None, limit: int | None = None, offset: int | None = None) -> dict[str, Any]:
        jobs = [job for job in self.jobs.all() if status is None or job.status == status.value]
        first = offset or 0
        return {"jobs": [_told(job) for job in jobs[first : first + (limit or len(jobs))]], "numberMatched": len(jobs)}

    def get_job(self, job_id: str) -> dict[str, Any]:
        return _told(self._known(job_id))

    def get_job_result(self, job_id: str) -> tuple[str, Any]:
        job = self._known(job_id)
        return JSON, results(job, self.jobs.outputs_of(job), self.address)

    def delete_job(self, job_id: str) -> bool:
        if not self.jobs.dismiss(job_id):
            raise JobNotFoundError
        return True

    def _known(self, job_id: str) -> Job:
        job = self.jobs.get(job_id)
        if job is None:
            raise JobNotFoundError
        return job


def _short(text: str) -> str:
    """A refusal quotes what was given, which may be as long as a request."""
    return text if len(text) <= LONGEST_REFUSAL else f"{text[:LONGEST_REFUSAL]} ..."


def _told(job: Job) -> dict[str, Any]:
    """A job with the names that pygeoapi looks for; it sorts jobs by their start."""
    return {
        "type": "process",
        "identifier": job.id,
        "process_id": job.process,
        "status": job.status,
        "message": job.message,
        "progress": job.progress,
        "created": job.created,
        "started": job.started or job.created,
        "finished": job.finished,
        "updated": job.updated,
        "mimetype": JSON,
    }
