"""Years of daily plane irradiation for a site, drawn from its months' classes of days.

A year has 365 days. All values are relative: a day's irradiation of the plane over its month's mean, so that
the same years serve every array, and the plan's monthly energy, its climate margin included, is kept exactly.
The margin stays in: it stands for doubt about the long-term mean, which no number of drawn years removes.

Known limits, on the bright side: days hang together by one lag-1 correlation, so that whole months and years
differ less than measured ones; the sun's height is the month's typical day's throughout a month.

References
----------
Graham, Hollands and Huget (1988), "A time series model for K_t with application to global synthetic weather
generation", Solar Energy 40, 83-92: daily clearness as a Gaussian process of lag-1 correlation 0.29.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from planner.climate.sun import MONTH_OF_DAY
from planner.settings import DAYS_A_YEAR
from planner.units import MONTHS

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]

DAYS = DAYS_A_YEAR
YEARS = 100  # counted, unless asked otherwise
LAG_ONE_CORRELATION = 0.29  # of the normal scores of daily clearness (Graham, Hollands and Huget 1988)
PLACE_STEPS_PER_DEG = 10_000  # sites within 11 m share their weather, and so do sites of one place
CURVE_STREAM = 0  # of the years that curves are made of; any other number gives years that no curve saw
TEMPERATURE_STREAM_OFFSET = 1_000_000
TEMPERATURE_LAG_ONE_CORRELATION = 0.7  # of daily means (common practice, no source)


def scores(
    latitude_deg: float, longitude_deg: float, *, years: int, stream: int,
    lag_one: float = LAG_ONE_CORRELATION,
) -> FloatArray:
    """Standard normal scores of the days (years x 365,), each correlated with the day before.

    The seed is the place alone: neither the site's name, nor its neighbours, nor the order of a batch matter.
    Sites that are alike in every input so stay alike. A longer record begins with the shorter one.
    """
    from scipy.signal import lfilter  # loads a quarter of SciPy

    place = [round((degrees + 360.0) * PLACE_STEPS_PER_DEG) for degrees in (latitude_deg, longitude_deg)]
    shocks = np.random.default_rng([*place, stream]).standard_normal(years * DAYS)
    shocks[1:] *= np.sqrt(1.0 - lag_one**2)  # the first day has no day before it
    return np.asarray(lfilter([1.0], [1.0, -lag_one], shocks))


def drawn_years(
    class_wh_m2: FloatArray, *, latitude_deg: FloatArray, longitude_deg: FloatArray, years: int = YEARS,
    stream: int = CURVE_STREAM, lag_one: float = LAG_ONE_CORRELATION,
) -> Float32Array:
    """Relative daily irradiation (S, (1 + years) x 365) drawn from equally likely classes of days.

    A Gaussian copula: the score's probability picks the day from the month's quantile function, a line
    through the classes at the middle of their shares. Then each calendar month is scaled to mean 1 over the
    years. A year goes before them, which fills the batteries and is not counted.

    Parameters
    ----------
    class_wh_m2 : (S, 12, Q)
        Daily plane irradiation of the classes, from the darkest to the brightest (`climate.class_wh_m2`).
    latitude_deg, longitude_deg : (S,)
        Places, which seed the draw.
    years, stream : int
        How many years, and which: another stream gives other years of the same climate.
    lag_one : float
        Correlation of a day's score with the day before.
    """
    days = np.empty((len(class_wh_m2), (1 + years) * DAYS), dtype=np.float32)
    for site, classes in enumerate(class_wh_m2):
        place = float(latitude_deg[site]), float(longitude_deg[site])
        share = ndtr(scores(*place, years=1 + years, stream=stream, lag_one=lag_one)).reshape(-1, DAYS)
        days[site] = relative_days(_quantile_days(share, classes)).ravel()
    return days


def _quantile_days(share: FloatArray, classes: FloatArray) -> FloatArray:
    """Irradiation of days (Y, 365) that stand at the given shares of their month's days; classes (12, Q)."""
    count = classes.shape[1]
    middle = np.concatenate([[0.0], (np.arange(count) + 0.5) / count, [1.0]])
    half = np.diff(classes, axis=1)[:, [0, -1]] / 2.0
    darkest, brightest = np.maximum(classes[:, :1] - half[:, :1], 0.0), classes[:, -1:] + half[:, 1:]
    values = np.concatenate([darkest, classes, brightest], axis=1)
    days = np.empty(share.shape)
    for month in range(MONTHS):
        own = month == MONTH_OF_DAY
        days[:, own] = np.interp(share[:, own], middle, values[month])
    return days


def relative_days(days: FloatArray) -> FloatArray:
    """Days (1 + Y, 365) over their calendar month's mean in the last Y years; 1 in a month without sun."""
    for month in range(MONTHS):
        own = month == MONTH_OF_DAY
        mean = days[1:, own].mean()
        days[:, own] = days[:, own] / mean if mean > 0 else 1.0
    return days


def drawn_temperatures(
    temp_c: FloatArray, sd_k: FloatArray, *, latitude_deg: FloatArray, longitude_deg: FloatArray,
    years: int = YEARS, stream: int = CURVE_STREAM,
) -> Float32Array:
    """Daily temperatures (S, (1 + years) x 365) about the months' means (S, 12) with a spread (S,), C.

    They do not hang together with the light of the day.
    """
    days = np.empty((len(temp_c), (1 + years) * DAYS), dtype=np.float32)
    for site, months in enumerate(temp_c):
        score = scores(
            float(latitude_deg[site]), float(longitude_deg[site]), years=1 + years,
            stream=stream + TEMPERATURE_STREAM_OFFSET, lag_one=TEMPERATURE_LAG_ONE_CORRELATION,
        )
        days[site] = np.tile(months[MONTH_OF_DAY], 1 + years) + sd_k[site] * score
    return days
