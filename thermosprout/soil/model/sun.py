"""Where the sun stands: through the hours, and on the days of a year.

The formulas are pvlib's, which is imported only when the sun is needed.
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
    import pandas as pd
    from pvlib import clearsky

    zenith = 90.0 - sun_elevation(middle, latitude, longitude)
    cosine = np.maximum(np.cos(np.radians(zenith)), 0.0)
    clear = clearsky.haurwitz(pd.Series(zenith))["ghi"].to_numpy(copy=True)
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
    import pandas as pd
    from pvlib import solarposition

    place = solarposition.ephemeris(pd.DatetimeIndex(time, tz="UTC"), latitude, longitude)
    return np.array(place["elevation"], dtype=float)


def declination_of(day: FloatArray) -> FloatArray:
    """Declination of the sun on a day of the year, 1 on 1 January (Spencer 1971). [rad]"""
    from pvlib import solarposition

    return np.asarray(solarposition.declination_spencer71(day))


def equation_of_time(day: FloatArray) -> FloatArray:
    """Solar less mean time on a day of the year, 1 on 1 January (Spencer 1971). [min]"""
    from pvlib import solarposition

    return np.asarray(solarposition.equation_of_time_spencer71(day))
