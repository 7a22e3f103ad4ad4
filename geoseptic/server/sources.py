"""What a request may read: files of the folder of data, and what finished jobs of the same server have written."""

import re
from typing import Final
from urllib.parse import unquote

from geoseptic.errors import ParameterError
from geoseptic.server.folder import LONGEST, DataFolder
from geoseptic.server.jobs import SUCCESSFUL, Jobs

OF_A_JOB: Final = re.compile(r"/jobs/(?P<job>\w+)(?P<file>/files/[^/|]+)?(?P<layer>\|.*)?")


class Sources:
    """Names in the folder `data`, and the addresses that the server at `address` gives to the results of `jobs`."""

    def __init__(self, data: DataFolder, jobs: Jobs, address: str) -> None:
        self.data, self.jobs, self.address = data, jobs, address

    def path(self, name: object, what: str, *, folder: bool = False) -> str:
        """As for DataFolder. An address is looked up in the list of the jobs' files, and never asked."""
        if not isinstance(name, str) or not name.startswith(f"{self.address}/"):
            return self.data.path(name, what, folder=folder)
        found = OF_A_JOB.fullmatch(name.removeprefix(self.address)) if len(name) <= LONGEST and name.isprintable() else None
        job = self.jobs.get(found["job"]) if found else None
        if found is None or job is None or job.status != SUCCESSFUL:
            raise ParameterError(f"{what}: that is no address of a result of this server.")
        at = self.jobs.outputs_of(job)
        if folder and not found["file"] and not found["layer"]:
            return str(at)
        file = unquote(found["file"] or "").removeprefix("/files/")
        if folder or file not in job.files:
            raise ParameterError(f"{what}: that is no {'folder' if folder else 'file'} of a result of this server.")
        return f"{at / file}{found['layer'] or ''}"
