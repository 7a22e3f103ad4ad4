"""What the server answers holds by the schemas of the standard, and comes from the declarations alone."""

import json
import time
from dataclasses import replace
from typing import Any

import geopandas
import pytest
from shapely import Point, box
from shapely.geometry import mapping

from geoseptic.catalog import PROCESSES
from geoseptic.model.cautions import SCREENING_AID
from geoseptic.process import FileOut
from geoseptic.run.describe import description
from geoseptic.run.version import version
from geoseptic.server import results
from geoseptic.server.jobs import Job, Jobs
from tests.run.ogcapi_schemas import faults
from tests.server.conftest import Served

SIZE = {"rules": "us-ny", "bedrooms": 3}


def until_over(served: Served, job: str) -> dict[str, Any]:
    for _ in range(600):
        found = served.ask(f"/jobs/{job}").get_json()
        assert faults(found, "statusInfo") == []
        if found["status"] not in ("accepted", "running"):
            return found
        time.sleep(0.2)
    raise AssertionError("the job does not end")


@pytest.mark.source("ogc-18-062r2", where="schemas processList.yaml, process.yaml, landingPage.yaml and confClasses.yaml of version 1.0")
def test_processes_are_those_of_the_declarations_in_the_form_of_the_standard(served: Served):
    listed = served.ask("/processes").get_json()
    assert faults(listed, "processList") == []
    assert [process["id"] for process in listed["processes"]] == list(PROCESSES)
    for name, process in PROCESSES.items():
        answer = served.ask(f"/processes/{name}").get_json()
        assert faults(answer, "process") == []
        answer.pop("links")
        assert answer == json.loads(json.dumps(description(process, version())))
    assert faults(served.ask("/").get_json(), "landingPage") == []
    assert faults(served.ask("/conformance").get_json(), "confClasses") == []
    assert SCREENING_AID in served.ask("/").get_json()["title"]
    assert set(served.ask("/openapi").get_json()["paths"]) >= {f"/processes/{name}/execution" for name in PROCESSES}


@pytest.mark.source("ogc-18-062r2", where="schemas statusInfo.yaml, jobList.yaml, results.yaml and exception.yaml of version 1.0")
def test_job_goes_from_accepted_to_results_and_is_gone_when_it_is_dismissed(served: Served):
    answer = served.run("size_field", SIZE, {"Prefer": "respond-async, wait=5"})
    assert answer.status_code == 201 and faults(answer.get_json(), "statusInfo") == []
    job = answer.headers["Location"].rpartition("/")[2]
    early = served.ask(f"/jobs/{job}/results")
    assert early.status_code in (200, 404) and (early.status_code == 200 or faults(early.get_json(), "exception") == [])
    over = until_over(served, job)
    assert (over["status"], over["progress"], over["processID"]) == ("successful", 100, "size_field")
    found = served.ask(f"/jobs/{job}/results").get_json()
    assert faults(found, "results") == []
    assert found["notice"]["value"]["screening_aid"] == SCREENING_AID
    path = found["sizing"]["href"].partition(str(8099))[2]
    file = served.ask(path)
    assert file.get_data() == (served.out / job / "outputs" / "sizing.csv").read_bytes()
    assert file.mimetype == "text/csv" and file.headers["Content-Disposition"].startswith("attachment")
    assert {link["title"] for link in served.ask(f"/jobs/{job}/files").get_json()["links"]} == {"sizing.csv", "run.json"}
    assert served.ask(f"/jobs/{job}/files/job.json").status_code == 404
    assert faults(served.ask("/jobs").get_json(), "jobList") == []
    gone = served.ask(f"/jobs/{job}", "DELETE")
    assert gone.get_json()["status"] == "dismissed" and faults(gone.get_json(), "statusInfo") == []
    assert served.ask(f"/jobs/{job}").status_code == 404 and not (served.out / job).exists()


def test_caller_who_waits_gets_the_results_and_values_where_they_are_wanted(served: Served):
    wanted = {"sizing": {"transmissionMode": "value"}, "run": {"transmissionMode": "value"}}
    answer = served.run("size_field", SIZE, outputs=wanted)
    assert answer.status_code == 200, answer.get_json()
    found = answer.get_json()
    assert found["sizing"]["mediaType"] == "text/csv" and "bedrooms" in found["sizing"]["value"]
    assert found["run"]["value"]["parameters"]["bedrooms"] == 3
    assert found.keys() == {"notice", "sizing", "run"}


def test_input_that_a_run_refuses_is_told_in_its_own_words(served: Served):
    """The soil is a text of a lawful length, so only the rule set can say that it does not have it."""
    answer = served.run("size_field", {"rules": "us-wa", "bedrooms": 3, "soil": "porridge"})
    assert answer.status_code == 400 and "porridge" in answer.get_json()["description"]
    job = served.ask("/jobs").get_json()["jobs"][0]
    assert (job["status"], "porridge" in job["message"]) == ("failed", True)
    assert served.ask(f"/jobs/{job['jobID']}/results").status_code == 400


def test_more_jobs_than_may_wait_are_put_off(served: Served, monkeypatch):
    monkeypatch.setattr(served.jobs, "_waiting", 0)
    assert served.run("size_field", SIZE).status_code == 503
    assert served.ask("/jobs").get_json()["jobs"] == []


def test_later_server_tells_the_jobs_of_the_earlier_one_and_which_it_did_not_finish(tmp_path):
    """A record that is no record of ours is passed over."""
    from geoseptic.server.requests import Asked

    first = Jobs(tmp_path, at_once=0)
    waits = first.submit(Asked("size_field", dict(SIZE), outputs=("sizing",)))
    first.close()
    (tmp_path / "odd").mkdir()
    (tmp_path / "odd" / "job.json").write_text('{"id": "../x"}')
    second = Jobs(tmp_path, at_once=0)
    assert [job.id for job in second.all()] == [waits.id]
    assert (second.all()[0].status, second.all()[0].outputs) == ("failed", ("sizing",))
    assert "server ended" in second.all()[0].message
    second.close()


def test_files_of_which_there_are_several_are_handed_out_under_their_own_names(tmp_path, monkeypatch):
    """Only those that the run has told of, each by a link of its own kind; an output that was not written is left out."""
    outs = (FileOut("site-*.pdf", "Sheets", "application/pdf"), FileOut("all.pdf", "All of them", "application/pdf"))
    monkeypatch.setattr(results, "PROCESSES", {"sheets": replace(PROCESSES["size_field"], outputs=outs)})
    job = Job("7", "sheets", "now", summary={"outputs": ["site-A-1.pdf", "site-B 2.pdf", "run.json"]})
    found = results.results(job, tmp_path, "http://host")
    assert found.keys() == {"notice", "site-A-1.pdf", "site-B 2.pdf", "run"}
    assert found["site-B 2.pdf"]["href"] == "http://host/jobs/7/files/site-B%202.pdf"
    assert found["site-A-1.pdf"]["type"] == "application/pdf"
    assert faults(found, "results") == []


def test_layer_that_a_run_did_not_write_is_in_no_answer(tmp_path):
    """Its file is there, with other layers; what is there comes in longitude and latitude where it is wanted by value."""
    shape = geopandas.GeoDataFrame({"parcel_id": ["A-1"]}, geometry=[box(500_000, 5_200_000, 500_010, 5_200_010)], crs="EPSG:26910")
    shape.to_file(tmp_path / "envelopes.gpkg", layer="tank_envelope")
    job = Job("7", "setback_envelopes", "now", values=("tank_envelope",), summary={"outputs": ["envelopes.gpkg"]})
    found = results.results(job, tmp_path, "http://host")
    assert found.keys() == {"notice", "tank_envelope"}
    assert faults(found, "results") == []
    feature = found["tank_envelope"]["value"]["features"][0]
    lon, lat = feature["geometry"]["coordinates"][0][0]
    assert (feature["properties"]["parcel_id"], round(lon, 2), round(lat, 1)) == ("A-1", -123.0, 47.0)


def at(x_m: float, y_m: float) -> tuple[float, float]:
    return 500_000.0 + x_m, 5_200_000.0 + y_m


def layer(shapes: list[Any], **columns: list[Any]) -> dict[str, Any]:
    """A layer of a request, its members in an order that no file has them in."""
    rows = [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]
    features = [{"geometry": mapping(shape), "properties": row, "type": "Feature"} for shape, row in zip(shapes, rows, strict=True)]
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::26910"}}
    return {"features": features, "crs": crs, "type": "FeatureCollection"}


def test_layers_of_the_request_are_screened_and_a_later_job_reads_what_an_earlier_one_wrote(served: Served):
    """A job's results are named by the address that the server gave them; no other file of it, and nothing of a job that is gone."""
    lots = layer([box(*at(0, 0), *at(120, 120)), box(*at(120, 0), *at(240, 120))], APN=["A-1", "A-2"])
    wells = layer([Point(at(130, 60))], kind=["private"], location_error_m=[0.0])
    inputs = {"parcels": lots, "wells": {"value": wells}, "rules": "us-wa", "columns": {"parcels": {"parcel_id": "APN"}}}
    wanted = {"field_envelope": {"transmissionMode": "value"}, "setback_zones": {}}
    answer = served.run("setback_envelopes", inputs, outputs=wanted)
    assert answer.status_code == 200, answer.get_json()
    found = answer.get_json()
    assert [row["properties"]["parcel_id"] for row in found["field_envelope"]["value"]["features"]] == ["A-1", "A-2"]
    address = found["setback_zones"]["href"]

    second = {**inputs, "other_features": f"{address}|field_envelope"}
    again = served.run("setback_envelopes", second)
    assert again.status_code == 400 and "other_features" in again.get_json()["description"], "it was opened: only its columns are wrong"
    job = answer.headers["Location"].rpartition("/")[2]
    for name in (address.replace("envelopes.gpkg", "job.json"), address.replace("envelopes.gpkg", "..%2fjob.json"), address[:-1]):
        assert "no file of a result" in served.run("setback_envelopes", {**inputs, "wells": name}).get_json()["description"]
    served.ask(f"/jobs/{job}", "DELETE")
    assert "no address of a result" in served.run("setback_envelopes", second).get_json()["description"]


def test_copies_that_a_request_wants_as_well_are_handed_out_by_links(served: Served):
    """Beside the outputs of the declaration, under the names of their files, with their media types."""
    parcels = {"parcels": "county.gpkg|parcels", "wells": "county.gpkg|wells", "rules": "us-wa"}
    answer = served.run("setback_envelopes", {**parcels, "also": ["flatgeobuf", "stac"]})
    assert answer.status_code == 200, answer.get_json()
    found = answer.get_json()
    assert faults(found, "results") == []
    copy, item = found["envelopes_field_envelope.fgb"], found["item.json"]
    assert (copy["type"], item["type"]) == ("application/vnd.flatgeobuf", "application/json")
    told = served.ask(item["href"].partition("8099")[2]).get_json()
    assert told["type"] == "Feature" and "envelopes_field_envelope.fgb" in told["assets"]
    assert served.run("setback_envelopes", {**parcels, "also": ["shapefile"]}).status_code == 400
    assert served.run("size_field", {**SIZE, "also": ["stac"]}).status_code == 400
