"""What a pull at the rope means for the person who pulls, and what the cold changes in it."""

from __future__ import annotations

from portmap.rope import PullRange

__all__ = ["PULL_BASIS", "cold_words", "pull_words"]

# Das and Wang, Isometric pull-push strengths in workspace: 1. Strength profiles, International Journal of
# Occupational Safety and Ergonomics 10 (2004) 43-58: abstract seen; greatest pull standing, men and women
STRONGEST_MEN_N, STRONGEST_WOMEN_N = 400.0, 244.0
PULL_BASIS = (
    "greatest standing pull of men 400 N, of women 244 N, steady and at the best place, by Das and Wang 2004;"
    " that half of it is light is common practice, no source"
)


def pull_words(peak_pull_n: float) -> str:
    """Return what a peak pull means for the person at the rope.

    Parameters
    ----------
    peak_pull_n : float
        At the rope [N].

    Returns
    -------
    str
        One sentence; its basis is `PULL_BASIS`.

    Examples
    --------
    >>> pull_words(90)
    'Light: less than half of what many people can steadily pull (244 N), even pulled slowly.'
    """
    if peak_pull_n <= STRONGEST_WOMEN_N / 2:
        return "Light: less than half of what many people can steadily pull (244 N), even pulled slowly."
    if peak_pull_n <= STRONGEST_WOMEN_N:
        return "Firm: within what many people can steadily pull (244 N), even pulled slowly."
    if peak_pull_n <= STRONGEST_MEN_N:
        return (
            "Hard: pulled slowly it is beyond what many people can steadily pull (244 N); a brisk pull with"
            " the flywheel's swing goes through, a bleed makes it easier."
        )
    return (
        "Very hard: pulled slowly it is beyond what even strong people can steadily pull (400 N); only the"
        " flywheel's swing carries it over. Fit a bleed, or keep compression lower."
    )


def cold_words(cold: PullRange, warm: PullRange) -> str:
    """Return what the cold changes in a start, in figures.

    Parameters
    ----------
    cold, warm : PullRange
        The same pull at two temperatures.

    Returns
    -------
    str
        One sentence.

    Examples
    --------
    >>> from portmap.atmosphere import air
    >>> from portmap.crank import Crank
    >>> from portmap.engine import Engine
    >>> from portmap.rope import pull_range
    >>> crank = Crank(stroke_mm=32, rod_mm=58)
    >>> engine = Engine(bore_mm=46, crank=crank, crown_height_mm=61, head_volume_cm3=6.1)
    >>> cold, warm = (pull_range(engine, 20.6, air=air(temperature_c=t)) for t in (-30, 20))
    >>> cold_words(cold, warm)
    'The squeezed charge ends 73 to 88 °C colder, and friction takes 13 to 24 % of the work, not ...'
    """
    colder = sorted((warm.low.charge_k - cold.low.charge_k, warm.high.charge_k - cold.high.charge_k))
    shares = [
        sorted(100 * pull.friction_work_j / pull.work_j for pull in (both.low, both.high))
        for both in (cold, warm)
    ]
    return (
        f"The squeezed charge ends {colder[0]:.0f} to {colder[1]:.0f} °C colder, and friction takes"
        f" {shares[0][0]:.0f} to {shares[0][1]:.0f} % of the work, not"
        f" {shares[1][0]:.0f} to {shares[1][1]:.0f} %: less heat to turn fuel to vapour, and a heavier rope."
    )
