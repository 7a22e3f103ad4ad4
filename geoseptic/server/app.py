"""pygeoapi with our processes, as a WSGI application."""

import json
import os
import tempfile
from pathlib import Path
from typing import Any

from geoseptic.catalog import PROCESSES
from geoseptic.model.cautions import CAUTIONS, SCREENING_AID
from geoseptic.run.mediatypes import media_type
from geoseptic.server import gate

HTML = ("text/html", "application/ld+json")
"""What pygeoapi would also answer; this server answers JSON alone, whose pages load nothing from elsewhere."""

HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "default-src 'none'",
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def config(data: Path, out: Path, port: int, workers: int) -> dict[str, Any]:
    """The configuration of pygeoapi: our processes, no collections, nothing that can be changed from outside."""
    address = f"http://127.0.0.1:{port}"
    own = {"name": "geoseptic"}
    return {
        "server": {
            "bind": {"host": "127.0.0.1", "port": port},
            "url": address,
            "mimetype": "application/json; charset=UTF-8",
            "encoding": "utf-8",
            "languages": ["en-US"],
            "cors": False,
            "admin": False,
            "pretty_print": True,
            "limits": {"default_items": 100, "max_items": 1000, "on_exceed": "throttle"},
            "map": {"url": "", "attribution": ""},
            "manager": {
                "name": "geoseptic.server.host.Manager",
                "data": str(data.absolute()),
                "out": str(out.absolute()),
                "address": address,
                "workers": workers,
            },
        },
        "logging": {"level": "CRITICAL"},
        "metadata": {
            "identification": {
                "title": f"geoseptic. {SCREENING_AID}",
                "description": " ".join(CAUTIONS),
                "keywords": ["screening aid"],
                "keywords_type": "theme",
                "terms_of_service": "",
                "url": address,
            },
            "license": {"name": "Apache-2.0", "url": ""},
            "provider": {**own, "url": ""},
            "contact": {**own, "email": "", "url": ""},
        },
        "resources": {
            name: {"type": "process", "processor": {"name": "geoseptic.server.host.Described", "process": name}} for name in PROCESSES
        },
    }


def application(data: Path, out: Path, port: int, workers: int = 1) -> tuple[gate.App, Any]:
    """The application and the jobs behind it. One a process: pygeoapi reads its configuration when it is imported."""
    settings = config(data, out, port, workers)
    with tempfile.TemporaryDirectory() as folder:
        for variable, name, content in (("PYGEOAPI_CONFIG", "config.yml", settings), ("PYGEOAPI_OPENAPI", "openapi.json", {})):
            path = Path(folder) / name
            path.write_text(json.dumps(content), encoding="utf-8")
            os.environ[variable] = str(path)
        from pygeoapi import flask_app
    manager = flask_app.api_.manager
    _describe_itself(flask_app)
    _hand_out_files(flask_app.APP, manager)
    flask_app.APP.after_request(lambda response: _conforming(response, manager))
    return gate.gate(flask_app.APP, port), manager.jobs


def _describe_itself(flask_app: Any) -> None:
    """The OpenAPI document, for which pygeoapi would make a second manager."""
    from pygeoapi.api import processes
    from pygeoapi.openapi import get_oas

    made, get_manager = flask_app.api_.manager, processes.get_manager
    processes.get_manager = lambda settings: made
    try:
        flask_app.api_.openapi = get_oas(flask_app.CONFIG)
    finally:
        processes.get_manager = get_manager


def _hand_out_files(app: Any, manager: Any) -> None:
    from flask import jsonify, send_file

    def listed(job_id: str) -> Any:
        job = manager.jobs.get(job_id)
        if job is None:
            return jsonify(gate.refusal("There is no such job.", "NoSuchJob")), 404
        at = f"{manager.address}/jobs/{job.id}/files"
        return jsonify({"links": [{"href": f"{at}/{name}", "rel": "item", "type": media_type(name), "title": name} for name in job.files]})

    def handed(job_id: str, name: str) -> Any:
        job = manager.jobs.get(job_id)
        # By the list of what the run wrote: no name becomes a path that is not in it.
        if job is None or name not in job.files:
            return jsonify(gate.refusal("There is no such file.", "NotFound")), 404
        return send_file(manager.jobs.outputs_of(job) / name, mimetype=media_type(name), as_attachment=True, download_name=name)

    app.add_url_rule("/jobs/<job_id>/files", "files_of_job", listed)
    app.add_url_rule("/jobs/<job_id>/files/<name>", "file_of_job", handed)


def _conforming(response: Any, manager: Any) -> Any:
    """The answer without what pygeoapi promises of its own accord: other formats, and outputs by value only."""
    from flask import request
    from werkzeug.datastructures import Headers

    # pygeoapi puts a mapping there, in which capitals count.
    response.headers = Headers(dict(response.headers))
    response.headers.update(HEADERS)
    dismissed = request.method == "DELETE" and response.status_code == 200
    if dismissed:
        response.mimetype = "application/json"
    if response.mimetype != "application/json" or response.direct_passthrough:
        return response
    body = response.get_json(silent=True)
    if dismissed:
        body["type"] = "process"
    if response.status_code == 201:
        job_id = response.headers["Location"].rpartition("/")[2]
        job = manager.jobs.get(job_id)
        body = {"jobID": job_id, "type": "process", "status": job.status if job else "accepted"}
    if not isinstance(body, dict) or request.path == "/openapi" or request.path.endswith("/results"):
        return response
    if isinstance(body.get("jobs"), list):
        body["jobs"] = [_without_gaps(job) for job in body["jobs"]]
    for process in (body, *body.get("processes", ())):
        if "jobControlOptions" in process:
            own = manager.get_processor(process["id"]).metadata
            process |= {name: own[name] for name in ("jobControlOptions", "outputTransmission")}
            process["links"] = _of_json(process["links"])
    response.set_data(json.dumps(_without_gaps(body), indent=2))
    return response


def _without_gaps(body: dict[str, Any]) -> dict[str, Any]:
    """Without what has no value, and links to JSON only."""
    found = {name: value for name, value in body.items() if value is not None}
    if isinstance(found.get("links"), list):
        found["links"] = _of_json(found["links"])
    return found


def _of_json(links: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [link for link in links if link.get("type") not in HTML]
