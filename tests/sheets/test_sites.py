"""What a finished screening holds of one parcel, read back from its folder."""

import pytest
import shapely

from geoseptic.errors import InputError
from geoseptic.io.sites import known_ids, read_lots, read_site


def test_a_site_has_its_own_layout_and_all_that_is_near(run):
    """Each drawn thing of the layers lies on the parcel that it is read for, and no well within reach is left out."""
    lots = read_lots(run)
    drawn = lots[lots.verdict.str.startswith("fits by")].parcel_id.iloc[0]
    site = read_site(run, lots, drawn)
    assert (site.unit, site.row["verdict"]) == ("ft", run.rows.verdict[drawn])
    assert [item.row["area"] for item in site.layers["fields"]] == ["primary", "reserve"]
    assert len(site.layers["tanks"]) == 1
    for name in ("fields", "trenches", "tanks"):
        assert all(site.lot_m.buffer(0.001).covers(item.shape_m) for item in site.layers[name]), name
    whole = read_site(run, lots, drawn).features
    assert {item.row["record"] for item in whole} <= {"on record", "presumed"}
    assert all(item.shape_m.distance(site.lot_m) < 200 for item in whole)
    assert any(item.row["feature"] == "lot_line" for item in site.zones)


def test_every_obstacle_near_a_lot_is_among_the_features(run):
    """The wells of the source file near a lot are all read back, each once as every kind that it may be."""
    import geopandas

    lots = read_lots(run)
    wells = geopandas.read_file("sample_data/county.gpkg", layer="wells")
    for parcel_id, lot in zip(lots.parcel_id[:12], lots.geometry[:12], strict=True):
        near = set(wells.well_id[wells.intersects(shapely.box(*lot.bounds).buffer(99))])
        read = {item.row["feature_id"] for item in read_site(run, lots, parcel_id).features}
        assert near <= read


def test_parcels_that_are_not_there_are_named(run):
    """A misspelt parcel is refused with what it may have been, and nothing is guessed."""
    first = str(run.rows.index[0])
    assert known_ids(run, [first, first]) == (first,)
    with pytest.raises(InputError, match=r"1 of the parcels are not in this screening: .*Name them by its parcel_id"):
        known_ids(run, [f"{first}x"])
