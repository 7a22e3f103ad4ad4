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


def test_a_site_is_the_same_whether_all_parcels_were_read_or_its_own_alone(run):
    """The neighbours too, which are found by their place; a name with a quote in it is looked for as it is written."""
    lots = read_lots(run)
    for parcel_id in lots.parcel_id[:5]:
        alone = read_lots(run, [parcel_id])
        assert list(alone.parcel_id) == [parcel_id]
        found, wanted = read_site(run, alone, parcel_id), read_site(run, lots, parcel_id)
        # As text, where what is not known is the same as itself.
        assert repr(found) == repr(wanted) and len(found.neighbours) > 1
        near = lots[lots.intersects(lots.geometry[lots.parcel_id == parcel_id].iloc[0].envelope.buffer(99, join_style="mitre"))]
        assert [item.row["parcel_id"] for item in found.neighbours] == [name for name in near.parcel_id if name != parcel_id]
    assert len(read_lots(run, ["it's", 'a"b', "') OR 1=1 --"])) == 0


def test_parcels_that_are_not_there_are_named(run):
    """A misspelt parcel is refused with what it may have been, and nothing is guessed."""
    first = str(run.rows.index[0])
    assert known_ids(run, [first, first]) == (first,)
    with pytest.raises(InputError, match=r"1 of the parcels are not in this screening: .*Name them by its parcel_id"):
        known_ids(run, [f"{first}x"])
