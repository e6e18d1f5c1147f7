import pytest
from hypothesis import given
from hypothesis import strategies as st

from tallymast.domain.positions import distance_bearing, offset


def dms(degrees: int, minutes: int, seconds: float) -> float:
    return degrees + minutes / 60 + seconds / 3600


# The published worked example of the Geocentric Datum of Australia Technical Manual (Vincenty's
# formula, GRS80, whose axis and flattening are those of WGS 84 to 1e-10): from memory.
FLINDERS_PEAK = (-dms(37, 57, 3.7203), dms(144, 25, 29.5244))
BUNINYONG = (-dms(37, 39, 10.1561), dms(143, 55, 35.3839))
DISTANCE_KM = 54.972271
BEARING = dms(306, 52, 5.37)


def test_flinders_peak_to_buninyong_is_as_published() -> None:
    leg = distance_bearing(*FLINDERS_PEAK, *BUNINYONG)
    # The mid-latitude formulas are good to about 1e-5 over 50 km.
    assert leg.distance_km == pytest.approx(DISTANCE_KM, rel=2e-5)
    assert leg.bearing_deg == pytest.approx(BEARING, abs=0.001)


def test_going_from_flinders_peak_ends_at_buninyong() -> None:
    latitude, longitude = offset(*FLINDERS_PEAK, DISTANCE_KM, BEARING)
    assert latitude == pytest.approx(BUNINYONG[0], abs=2e-5)  # 2e-5° is 2 m
    assert longitude == pytest.approx(BUNINYONG[1], abs=2e-5)


@pytest.mark.parametrize(
    ("latitude", "length_km"),
    # One degree of latitude on WGS 84 at the equator, at 45° and at 60°: 110.574, 111.132 and
    # 111.412 km, as atlases print them (from memory).
    [(0.0, 110.574), (45.0, 111.132), (60.0, 111.412)],
)
def test_a_degree_of_latitude_has_its_length(latitude: float, length_km: float) -> None:
    leg = distance_bearing(latitude - 0.5, 10.0, latitude + 0.5, 10.0)
    assert leg.distance_km == pytest.approx(length_km, abs=0.001)  # printed to 1 m
    assert leg.bearing_deg == pytest.approx(0.0, abs=1e-9)


def test_the_date_line_is_no_obstacle() -> None:
    leg = distance_bearing(0.0, 179.9, 0.0, -179.9)
    # 0.2° of the equator: 2 π 6378.137 km / 1800.
    assert leg.distance_km == pytest.approx(22.26390, abs=1e-4)
    assert leg.bearing_deg == pytest.approx(90.0)


@given(
    latitude=st.floats(-70, 70),
    longitude=st.floats(-180, 180),
    distance_km=st.floats(0.1, 150),
    bearing_deg=st.floats(0, 359.9),
)
def test_there_and_measured_is_what_was_asked(
    latitude: float, longitude: float, distance_km: float, bearing_deg: float
) -> None:
    leg = distance_bearing(
        latitude, longitude, *offset(latitude, longitude, distance_km, bearing_deg)
    )
    assert leg.distance_km == pytest.approx(distance_km, rel=1e-6)
    turn = (leg.bearing_deg - bearing_deg + 180) % 360 - 180
    assert turn == pytest.approx(0.0, abs=1e-4)
