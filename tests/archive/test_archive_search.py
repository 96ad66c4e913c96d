"""Finding jobs: words, ranges, days, shapes; on both databases the same."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from portmap.archive import add_job
from portmap.archive_facts import job_figures, likeness, shapes_of, word_list
from portmap.archive_search import Range, Search, range_of, searched, similar
from portmap.errors import QuantityError
from portmap.job import job_of
from tests.archived_jobs import made_up_job
from tests.sample_job import box, sample

CELLS = 0.03  # the grid's cells are 1.5 × 1.3 mm, so that an area is a little off
FIGURE_DEG = 0.01  # of the cosine rule worked by hand below, to two decimals


def none(picture) -> bytes:
    raise AssertionError(picture)


def job(name: str, **changes) -> dict:
    return {**sample(), "name": name, **changes}


@pytest.fixture
def filled(place):
    """Names of a handful of jobs, and how to search them."""
    swap = {"at": "2024-02-11", "text": "ring land worn: pump swap"}
    documents = [
        job("pump engine 53 cc", created="2023-05-01", notes="plating sound"),
        job("Säge, alt", created="2024-02-10", log=[swap]),
        job("kart", created="2024-06-30", engine={**sample()["engine"], "bore_mm": 48.0}),
        job("twin_left O'Neill", created="2025-01-01", notes="'quoted' & \"odd\" (signs) * : ! \\ 1.5e3"),
        job("bare", created="2025-02-01", maps=[]),
    ]
    with place.open() as archive:
        for document in documents:
            add_job(archive, document, none)
        yield lambda **search: [found.entry.name for found in searched(archive, Search(**search))]


@pytest.mark.parametrize(
    ("words", "names"),
    [
        ("pump", ["pump engine 53 cc", "Säge, alt"]),
        ("PUMP engine", ["pump engine 53 cc"]),
        ("plat", ["pump engine 53 cc"]),
        ("säge", ["Säge, alt"]),
        ("SAGE", ["Säge, alt"]),
        ("oneill", []),
        ("o'neill", ["twin_left O'Neill"]),
        ("twin left", ["twin_left O'Neill"]),
        ("quoted odd", ["twin_left O'Neill"]),
        ("1.5e3", ["twin_left O'Neill"]),
        ("intake 58cc", ["kart"]),
        ("pump kart", []),
        ("&", []),
        ("' OR 1=1 --", []),
        ('"', []),
        ("*", []),
        ("NOT pump", []),
    ],
)
def test_words(filled, words, names):
    assert filled(words=words) == names


def test_without_words_the_newest_come_first(filled):
    assert filled()[:2] == ["bare", "twin_left O'Neill"]
    assert filled(limit=1) == ["bare"]


@pytest.mark.parametrize(
    ("search", "names"),
    [
        ({"ranges": (range_of("48", figure="bore_mm"),)}, ["kart"]),
        ({"ranges": (range_of("47..", figure="bore_mm"),)}, ["kart"]),
        ({"ranges": (range_of("bore_mm=..47"),), "words": "pump"}, ["pump engine 53 cc", "Säge, alt"]),
        (
            {"ranges": (range_of("exhaust.opens_deg=98.5..98.7"),), "since": "2024-06-01"},
            ["twin_left O'Neill", "kart"],
        ),
        ({"ranges": (range_of("stock.blowdown_deg=20.."),)}, []),
        ({"since": "2024-02-10", "until": "2024-06-30"}, ["kart", "Säge, alt"]),
    ],
    ids=["bore", "bore from", "bore up to, and a word", "an opening, and a day", "nothing", "days"],
)
def test_figures_and_days(filled, search, names):
    assert filled(**search) == names


def test_a_figure_that_no_job_has_is_refused_with_the_nearest(filled):
    with pytest.raises(QuantityError, match=r"did you mean exhaust.opens_deg\?"):
        filled(ranges=(Range(figure="exhaust.open_deg", low=0, high=1),))


@pytest.mark.parametrize(
    "text", ["", "bore", "bore_mm", "bore_mm=", "bore_mm=..", "=3", "bore_mm=9..3", "bore_mm=x"]
)
def test_ranges_that_are_none(text):
    with pytest.raises(QuantityError, match="is not a range"):
        range_of(text)


def test_figures_are_those_that_a_pencil_gives():
    """Cosine rule in the triangle of throw 16, rod 58 and axis to pin: roof 40, crown 61, gasket 0.4."""
    figures = job_figures(job_of(sample()))
    assert figures["exhaust.opens_deg"] == pytest.approx(98.63, abs=FIGURE_DEG)
    assert figures["exhaust.duration_deg"] == pytest.approx(360 - 2 * 98.63, abs=2 * FIGURE_DEG)
    assert figures["transfer.area_mm2"] == pytest.approx(2 * 12 * 8)
    assert figures["squish_mm"] == pytest.approx(61.2 - 60.6)
    assert figures["stock.exhaust.roof_mm"] == figures["exhaust.roof_mm"] == 40


def scaled(document: dict, factor: float) -> dict:
    """The same cylinder, every length times a factor."""
    engine = {
        name: value * factor if name.endswith("_mm") else value for name, value in document["engine"].items()
    }
    ports = [
        {
            **port,
            "windows": [
                {"outline_mm": [[x * factor, y * factor] for x, y in window["outline_mm"]]}
                for window in port["windows"]
            ],
        }
        for port in document["maps"][0]["ports"]
    ]
    return {
        **document,
        "name": f"scaled {factor:g}",
        "engine": {**engine, "head_volume_cm3": None},
        "cylinder": {"base_gasket_mm": document["cylinder"]["base_gasket_mm"] * factor},
        "maps": [{"stage": "stock", "ports": ports}],
    }


def test_the_most_similar_ports_come_first_whatever_the_engine_s_size(place):
    changed = sample()
    changed["maps"][0]["ports"][0]["windows"][0]["outline_mm"] = box(-14, 28, 14, 41)
    other = sample()
    other["maps"][0]["ports"] = other["maps"][0]["ports"][2:]
    with place.open() as archive:
        for document in (
            job("other", maps=other["maps"]),
            job("raised", maps=changed["maps"]),
            scaled(sample(), 1.2),
        ):
            add_job(archive, document, none)
        found = similar(archive, shapes_of(job_of(sample()))["stock"])
        assert [one.entry.name for one in found] == ["scaled 1.2", "raised", "other"]
        assert found[0].likeness == 1.0
        area, more = 28 * 12 + 2 * 12 * 8 + 24 * 9, 28 * 1
        assert found[1].likeness == pytest.approx(
            area / (area + more), abs=0.03
        )  # the grid's cells are 1.5 × 1.3 mm
        assert similar(archive, shapes_of(job_of(sample()))["stock"], stage="ground") == ()


def test_a_port_across_the_wrap_is_one_shape(place):
    half = 3.14159265358979 * 46 / 2
    first, second = sample(), sample()
    first["maps"][0]["ports"][2]["windows"] = [{"outline_mm": box(half - 12, 8, half + 12, 17)}]
    second["maps"][0]["ports"][2]["windows"] = [{"outline_mm": box(-half - 12, 8, -half + 12, 17)}]
    shapes = [shapes_of(job_of(document))["stock"] for document in (first, second)]
    assert shapes[0] == shapes[1]


@given(st.binary(min_size=8, max_size=8), st.binary(min_size=8, max_size=8))
def test_likeness_is_common_over_either(first, second):
    a = {bit for bit in range(64) if first[bit // 8] >> bit % 8 & 1}
    b = {bit for bit in range(64) if second[bit // 8] >> bit % 8 & 1}
    expected = len(a & b) / len(a | b) if a | b else 0.0
    assert likeness(first, [second])[0] == pytest.approx(expected)


@given(st.text(max_size=60))
def test_words_are_plain(text):
    for word in word_list(text):
        assert word.isalnum()
        assert word == word.casefold() or not word.isascii()
        assert 0 < len(word) <= 40


def test_a_hundred_made_up_jobs_are_found_as_a_walk_through_them_finds_them(place):
    documents = {number: made_up_job(number) for number in range(30)}
    with place.open() as archive:
        numbers = {
            add_job(archive, document, none).entry.id: number for number, document in documents.items()
        }
        search = Search(words="of", ranges=(range_of("exhaust.opens_deg=95..105"),), limit=1000)
        found = {numbers[one.entry.id] for one in searched(archive, search)}
    walked = {
        number
        for number, document in documents.items()
        if 95 <= job_figures(job_of(document))["exhaust.opens_deg"] <= 105
    }
    assert found == walked != set()
