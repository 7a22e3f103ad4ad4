"""Names of sheets: one for each parcel, on any file system."""

from hypothesis import given
from hypothesis import strategies as st

from geoseptic.sheets.names import file_name


@given(st.sets(st.text(max_size=80), min_size=2, max_size=8))
def test_no_two_parcels_share_a_file_and_none_leads_out_of_the_folder(ids):
    """Whatever the identifiers, names differ also where capitals do not count, hold letters of any file system alone, and are short."""
    names = [file_name(identifier, "pdf") for identifier in ids]
    assert len({name.casefold() for name in names}) == len(ids)
    for name in names:
        assert name.startswith("site_") and name.endswith(".pdf") and len(name) < 80
        assert set(name) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_.")
        assert ".." not in name.removesuffix(".pdf") or file_name("A..B", "pdf") == "site_A..B.pdf"


def test_plain_identifiers_stay_as_they_are():
    """An assessor finds the sheet by the number that is in every letter; a case of its own or a stroke gets a hash."""
    assert file_name("MH-006-03", "pdf") == "site_MH-006-03.pdf"
    assert file_name("mh-006-03", "pdf") != "site_mh-006-03.pdf"
    assert "/" not in file_name("../../etc/12", "html")
