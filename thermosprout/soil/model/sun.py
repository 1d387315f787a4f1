"""Where the sun stands: through the hours, and on the days of a year.

The formulas are those of pvlib, digit by digit, and the tests compare them with it. They stand here
because forecasting a row takes less time than importing pvlib, which is asked only for what a
forecast seldom needs: radiation above the atmosphere.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray

TimeArray = npt.NDArray[np.datetime64]

HOUR, HALF_HOUR = np.timedelta64(1, "h"), np.timedelta64(30, "m")


def sun(time: TimeArray, latitude: float, longitude: float) -> tuple[FloatArray, FloatArray]:
    """Sun at the middle of each hour that begins at ``time`` (hourly, no gaps).

    Returns
    -------
    cosine, clear : ndarray, shape (time,)
        Cosine of the zenith angle (zero at night), and clear-sky radiation after Haurwitz (1945),
        J. Meteorol. 2:154-166. [W m-2]
    """
    stamps = np.asarray(time, dtype="datetime64[ns]")
    return _sun(
        int(stamps[0].astype("int64")),
        int(stamps.size),
        round(float(latitude), 4),
        round(float(longitude), 4),
    )


@lru_cache(maxsize=32)
def _sun(
    first: int, count: int, latitude: float, longitude: float
) -> tuple[FloatArray, FloatArray]:
    middle = np.datetime64(first, "ns") + np.arange(count) * HOUR + HALF_HOUR
    elevation = sun_elevation(middle, latitude, longitude)
    cosine = np.maximum(np.cos(np.radians(90.0 - elevation)), 0.0)
    clear = np.where(cosine > 0, 1098.0 * cosine * np.exp(-0.059 / np.maximum(cosine, 1e-3)), 0.0)
    cosine.setflags(write=False)
    clear.setflags(write=False)
    return cosine, clear


def above_atmosphere(time: TimeArray, latitude: float, longitude: float) -> FloatArray:
    """Radiation on a horizontal plane above the atmosphere, at the middle of each hour. [W m-2]"""
    import pandas as pd
    from pvlib import irradiance

    middle = np.asarray(time, dtype="datetime64[ns]") + HALF_HOUR
    normal = irradiance.get_extra_radiation(pd.DatetimeIndex(middle, tz="UTC")).to_numpy()
    return np.asarray(normal * sun(time, latitude, longitude)[0])


def sun_elevation(time: TimeArray, latitude: float, longitude: float) -> FloatArray:
    """Elevation of the sun's centre without refraction, as ``pvlib.solarposition.ephemeris``.

    Parameters
    ----------
    time : ndarray of datetime64, shape (time,)
        UTC.
    latitude, longitude : float
        Degrees north and east.

    Returns
    -------
    ndarray, shape (time,)
        Good to about 0.01 degrees. [deg]
    """
    date = time.astype("datetime64[D]")
    year = date.astype("datetime64[Y]")
    hour = (time - date) / HOUR
    years = year.astype(int) + 70  # since 1900
    begin = 365 * years + np.floor((years - 1) / 4.0) - 0.5
    start = begin + (date - year.astype("datetime64[D]")).astype(int) + 1
    century = start / 36525.0
    # Sidereal time at Greenwich, then here
    midnight = (
        6 / 24.0 + 38 / 1440.0 + (45.836 + 8640184.542 * century + 0.0929 * century**2) / 86400.0
    )
    midnight = 360 * (midnight - np.floor(midnight))
    greenwich = np.mod(midnight + 360 * (1.0027379093 * hour / 24.0), 360)
    sidereal = np.mod(360 + greenwich + longitude, 360)
    # Orbit
    day = start + hour / 24.0
    century = day / 36525.0
    obliquity = np.radians(
        23.452294 - 0.0130125 * century - 1.64e-06 * century**2 + 5.03e-07 * century**3
    )
    perigee = 281.22083 + 4.70684e-05 * day + 0.000453 * century**2 + 3e-06 * century**3
    mean = np.mod(358.47583 + 0.985600267 * day - 0.00015 * century**2 - 3e-06 * century**3, 360)
    eccentricity = 0.01675104 - 4.18e-05 * century - 1.26e-07 * century**2
    eccentric, last = mean, np.zeros(1)
    while np.max(np.abs(eccentric - last)) > 1e-4:
        last = eccentric
        eccentric = mean + np.degrees(eccentricity) * np.sin(np.radians(last))
    stretch = ((1 + eccentricity) / (1 - eccentricity)) ** 0.5
    true = 2 * np.mod(np.degrees(np.arctan2(stretch * np.tan(np.radians(eccentric) / 2.0), 1)), 360)
    ecliptic = np.radians(np.mod(perigee + true, 360) - 20 / 3600.0)
    declination = np.arcsin(np.sin(obliquity) * np.sin(ecliptic))
    ascension = np.degrees(np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic)))
    angle, north = np.radians(sidereal - ascension), np.radians(latitude)
    return np.asarray(
        np.degrees(
            np.arcsin(
                np.cos(north) * np.cos(declination) * np.cos(angle)
                + np.sin(north) * np.sin(declination)
            )
        )
    )


def declination_of(day: FloatArray) -> FloatArray:
    """Declination of the sun on a day of the year, 1 on 1 January (Spencer 1971). [rad]"""
    angle = (2.0 * np.pi / 365.0) * (day - 1)
    return np.asarray(
        0.006918
        - 0.399912 * np.cos(angle)
        + 0.070257 * np.sin(angle)
        - 0.006758 * np.cos(2.0 * angle)
        + 0.000907 * np.sin(2.0 * angle)
        - 0.002697 * np.cos(3.0 * angle)
        + 0.00148 * np.sin(3.0 * angle)
    )


def equation_of_time(day: FloatArray) -> FloatArray:
    """Solar less mean time on a day of the year, 1 on 1 January (Spencer 1971). [min]"""
    angle = (2.0 * np.pi / 365.0) * (day - 1)
    return np.asarray(
        (1440.0 / 2 / np.pi)
        * (
            0.0000075
            + 0.001868 * np.cos(angle)
            - 0.032077 * np.sin(angle)
            - 0.014615 * np.cos(2.0 * angle)
            - 0.040849 * np.sin(2.0 * angle)
        )
    )
