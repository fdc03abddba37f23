"""Generated fleets: the same arguments give the same bytes, and the planner has nothing against them."""

from pathlib import Path

import pytest

from planner.scenario import check_scenario, read_scenario
from tests.bench.fleets import generate_fleet


def contents(folder: Path) -> dict[str, bytes]:
    """Bytes of a folder's files by name."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_same_arguments_same_bytes(tmp_path: Path) -> None:
    """Another seed gives another fleet."""
    one = contents(generate_fleet(tmp_path / "one", 30))
    assert contents(generate_fleet(tmp_path / "two", 30)) == one
    assert contents(generate_fleet(tmp_path / "three", 30, seed=2)) != one


@pytest.mark.parametrize("band", [(45.0, 66.0), (-35.0, 35.0)])
def test_sites_are_distinct_sound_and_inside_the_band(tmp_path: Path, band: tuple[float, float]) -> None:
    """No error and no warning; as many sites as asked."""
    folder = generate_fleet(tmp_path / "fleet", 200, latitudes_deg=band)
    assert check_scenario(folder) == []
    sites = read_scenario(folder).tables.sites
    assert len({(site.latitude_deg, site.longitude_deg) for site in sites}) == len(sites) == 200
    assert all(band[0] <= site.latitude_deg <= band[1] for site in sites)
    assert {site.autonomy_days is None for site in sites} == {True, False}
    assert len({site.load_profile for site in sites}) >= 5


def test_a_band_of_sea_is_refused(tmp_path: Path) -> None:
    """There is no land but Antarctica, too cold, south of 60 S."""
    with pytest.raises(ValueError, match="no land"):
        generate_fleet(tmp_path / "fleet", 3, latitudes_deg=(-75.0, -60.0))
