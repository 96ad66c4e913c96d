"""The job file: what is read, what is refused and how, and what the library gets from it."""

import json
import math

import pytest

from portmap.crank import Crank, piston_depth
from portmap.errors import JobError
from portmap.job import engine_of, job_of, job_schema, map_entry_of, port_map_of, read_job, write_job
from portmap.job_faults import document_of
from portmap.job_review import job_notices, missing_fields, reviewed
from portmap.map_file import map_of, map_schema
from portmap.timing import port_timing
from tests.sample_job import DOUBT, box, sample


def changed(path: str, value: object) -> dict:
    """The sound job with one field set; a path such as ``engine.rod_mm`` or ``maps.0.ports.1.id``."""
    document = sample()
    *outer, last = [int(step) if step.isdigit() else step for step in path.split(".")]
    place = document
    for step in outer:
        place = place[step]
    place[last] = value
    return document


def faults(document: object) -> list[str]:
    with pytest.raises(JobError, match=r".") as caught:
        job_of(document)
    return str(caught.value).splitlines()


# --- what is read ---


def test_the_least_job_of_the_design_is_read():
    document = sample()
    job = job_of(document)
    engine = engine_of(job)
    assert (engine.bore_mm, engine.crank) == (46.0, Crank(stroke_mm=32.0, rod_mm=58.0))
    assert (engine.crown_height_mm, engine.base_gasket_mm, engine.squish_band_height_mm) == (61.0, 0.4, 61.2)
    assert engine.assumed == engine.fitted == ()
    exhaust = port_map_of(job).ports[0]
    assert exhaust.windows[0].outline.bounds == (-14.0, 28.0, 14.0, 40.0)
    assert exhaust.windows[0].doubt.roof_u_mm == DOUBT["roof_u_mm"]
    # plane geometry by hand: at 98.63° the crown stands at 61 − 0.4 − depth = 40
    opens = port_timing(engine, exhaust).openings[0].opens_deg
    assert 60.6 - piston_depth(engine.crank, opens) == pytest.approx(40.0, abs=1e-9)


def test_mirrored_windows_stand_on_both_sides():
    main = port_map_of(job_of(sample())).ports[1]
    assert [window.outline.bounds[::2] for window in main.windows] == [(20, 32), (-32, -20)]


def test_halves_that_the_wrap_cut_are_one_window():
    half = math.pi * 46.0 / 2
    halves = [{"outline_mm": box(half - 9, 8, half, 17)}, {"outline_mm": box(-half, 8, 12 - half, 17)}]
    intake = port_map_of(job_of(changed("maps.0.ports.2.windows", halves))).ports[2]
    assert len(intake.windows) == 1
    assert intake.windows[0].outline.area == pytest.approx(21 * 9, abs=1e-9)


@pytest.mark.parametrize(
    ("fields", "rod", "words"),
    [
        ({"rod_mm": None}, 57.6, "rod length 57.6 mm, taken as 1.8 × stroke"),
        ({"rod_mm": None, "rod_ratio": 2.0}, 64.0, "rod length 64 mm, taken as 2 × stroke"),
        ({"basis": {"rod_mm": "assumed"}}, 58.0, "rod length 58 mm"),
    ],
    ids=["guessed", "by a ratio", "stated as assumed"],
)
def test_a_rod_that_nobody_measured_stays_marked(fields, rod, words):
    document = sample()
    document["engine"].update(fields)
    engine = engine_of(job_of(document))
    assert engine.crank.rod_mm == pytest.approx(rod)
    assert engine.crank.rod_assumed
    assert engine.assumed == (words,)


def test_basis_is_told_in_plain_words():
    document = sample()
    document["engine"]["basis"] = {"crown_height_mm": "fitted", "head_volume_cm3": "assumed"}
    document["cylinder"] = {"squish_band_height_mm": 61.2, "basis": {"squish_band_height_mm": "fitted"}}
    engine = engine_of(job_of(document))
    assert engine.fitted == ("crown height 61 mm", "squish band height 61.2 mm")
    assert engine.assumed == ("head volume 6.1 cm³", "no base gasket")


def test_job_to_file_to_job(tmp_path):
    job = job_of(sample())
    path = write_job(tmp_path / "job.json", job)
    assert read_job(path) == job
    assert json.loads(path.read_text()) == sample()


def test_what_a_newer_minor_version_added_is_kept_untouched():
    document = sample()
    document["minor"] = 3
    document["varnish"] = {"colour": ["blue", None, 1.5]}
    document["engine"]["reed_petals"] = 6
    document["maps"][0]["ports"][0]["windows"][0]["chamfer_mm"] = 0.4
    assert document_of(job_of(document)) == document


def test_a_newer_minor_version_is_still_checked():
    document = sample() | {"minor": 3, "varnish": 1}
    document["engine"]["bore_mm"] = -1
    assert faults(document) == [
        "engine.bore_mm: -1 makes no sense here: it must be at least 5 mm; check the figure and its unit"
    ]


def test_a_job_without_maps_is_sound_but_says_so():
    job = job_of(sample() | {"maps": []})
    assert ("maps", "everything about ports") in missing_fields(job)
    with pytest.raises(JobError, match="no map of its ports; trace one"):
        port_map_of(job)


def test_a_stage_that_is_not_there_is_refused_with_what_is():
    job = job_of(sample())
    assert map_entry_of(job).stage == "stock"
    with pytest.raises(JobError, match="there is no 'ground' map; the job has stock"):
        map_entry_of(job, "ground")
    ground = changed("maps.0.stage", "ground")
    assert map_entry_of(job_of(ground)).stage == "ground"


# --- what is refused: one line with the place, what is wrong, what to do ---

FAULTS = {
    "name missing": (lambda d: d.pop("name"), "name: is missing; add it"),
    "bore negative": (
        lambda d: d["engine"].update(bore_mm=-46),
        "engine.bore_mm: -46 makes no sense here: it must be at least 5 mm; check the figure and its unit",
    ),
    "bore in metres": (
        lambda d: d["engine"].update(bore_mm=0.046),
        "engine.bore_mm: 0.046 makes no sense here: it must be at least 5 mm",
    ),
    "bore absurd": (
        lambda d: d["engine"].update(bore_mm=46_000),
        "engine.bore_mm: 46000 makes no sense here",
    ),
    "bore NaN": (lambda d: d["engine"].update(bore_mm=math.nan), "engine.bore_mm: nan is not a figure"),
    "bore infinite": (lambda d: d["engine"].update(bore_mm=math.inf), "engine.bore_mm: inf is not a figure"),
    "bore as text": (
        lambda d: d["engine"].update(bore_mm="46"),
        "engine.bore_mm: '46' is not a number; write a plain number, without quotes",
    ),
    "bore true": (lambda d: d["engine"].update(bore_mm=True), "engine.bore_mm: true is not a number"),
    "bore without end": (
        lambda d: d["engine"].update(bore_mm=10**400),
        "engine.bore_mm: a number without end",
    ),
    "bore null": (lambda d: d["engine"].update(bore_mm=None), "engine.bore_mm: null is not a number"),
    "stroke and bore do not fit": (
        lambda d: d["engine"].update(stroke_mm=320, rod_mm=580),
        "engine.stroke_mm: a stroke of 320 mm and a bore of 46 mm do not make one engine",
    ),
    "rod too short": (
        lambda d: d["engine"].update(rod_mm=15),
        "engine.rod_mm: 15 mm is too short for a stroke of 32 mm: the rod must be longer than 16 mm; measure",
    ),
    "rod too short for the offset": (
        lambda d: d["engine"].update(rod_mm=17, pin_offset_mm=2),
        "engine.rod_mm: 17 mm is too short for a stroke of 32 mm and a pin offset of 2 mm: the rod must be"
        " longer than 18 mm",
    ),
    "rod too long": (lambda d: d["engine"].update(rod_mm=580), "engine.rod_mm: 580 mm is too long"),
    "unknown field": (
        lambda d: d["engine"].update(stroke=32),
        "engine.stroke: is not a field here; did you mean stroke_mm?",
    ),
    "unknown field deep down": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0].update(outlines_mm=[]),
        "maps[0].ports[0].windows[0].outlines_mm: is not a field here; did you mean outline_mm?",
    ),
    "unknown field far from any": (lambda d: d.update(zz=1), "zz: is not a field here; remove it"),
    "unknown basis": (
        lambda d: d["engine"].update(basis={"rod": "assumed"}),
        "engine.basis.rod: there is no figure of this name in engine; did you mean rod_mm?",
    ),
    "unknown kind": (
        lambda d: d["maps"][0]["ports"][0].update(kind="exaust"),
        "maps[0].ports[0].kind: 'exaust' is not one of exhaust, transfer, boost, intake, strato, other; did"
        " you mean exhaust?",
    ),
    "name of a port with a line break": (
        lambda d: d["maps"][0]["ports"][0].update(id="ex\nhaust"),
        r"maps[0].ports[0].id: 'ex\nhaust' cannot be a name",
    ),
    "same name twice": (
        lambda d: d["maps"][0]["ports"][2].update(id="exhaust"),
        "maps[0].ports[2].id: 'exhaust' is the name of maps[0].ports[0] too; give each port its own name",
    ),
    "same stage twice": (
        lambda d: d["maps"].append(d["maps"][0]),
        "maps[1].stage: maps[0] is 'stock' too; keep one map of each stage",
    ),
    "no windows": (
        lambda d: d["maps"][0]["ports"][0].update(windows=[]),
        "maps[0].ports[0].windows: at least 1 must stand here; add what is missing",
    ),
    "outline of two corners": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0].update(outline_mm=[[0, 0], [1, 1]]),
        "maps[0].ports[0].windows[0].outline_mm: at least 3 must stand here",
    ),
    "corner of three figures": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0]["outline_mm"].insert(1, [1, 2, 3]),
        "maps[0].ports[0].windows[0].outline_mm[1]: at most 2 may stand here",
    ),
    "corner of text": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0]["outline_mm"][1].__setitem__(0, "a"),
        "maps[0].ports[0].windows[0].outline_mm[1][0]: 'a' is not a number",
    ),
    "outline crosses itself": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0].update(
            outline_mm=[[-14, 28], [14, 40], [14, 28], [-14, 40]]
        ),
        "maps[0].ports[0].windows[0].outline_mm: the outline crosses itself near x 0.0 mm, y 34.0 mm; redraw",
    ),
    "outline without area": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0].update(outline_mm=[[0, 30], [1, 31], [2, 32]]),
        "maps[0].ports[0].windows[0].outline_mm: the outline",
    ),
    "hole outside": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0].update(holes_mm=[box(50, 28, 52, 30)]),
        "maps[0].ports[0].windows[0].outline_mm: the outline is not a shape (hole lies outside shell)",
    ),
    "window wider than half the bore": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0].update(outline_mm=box(-40, 28, 40, 40)),
        "maps[0].ports[0].windows[0].outline_mm: the window reaches 40.0 mm from its middle, more than",
    ),
    "window more than once round": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0].update(outline_mm=box(980, 28, 990, 40)),
        "maps[0].ports[0].windows[0].outline_mm: x 990.0 mm is more than once round a 46 mm bore",
    ),
    "mirror over the centre line": (
        lambda d: d["maps"][0]["ports"][0].update(mirror=True),
        "maps[0].ports[0].windows[0].outline_mm: the window crosses the exhaust centre line",
    ),
    "port above the squish band": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0].update(outline_mm=box(-14, 28, 14, 64)),
        "maps[0].ports[0].windows[0].outline_mm: the roof at 64 mm stands above the squish band at 61.2 mm",
    ),
    "port above the deck": (
        lambda d: (
            d["cylinder"].update(deck_height_mm=63),
            d["maps"][0]["ports"][0]["windows"][0].update(outline_mm=box(-14, 28, 14, 64)),
        ),
        "maps[0].ports[0].windows[0].outline_mm: the roof at 64 mm stands above the deck at 63 mm",
    ),
    "port far above the crown": (
        lambda d: (
            d["cylinder"].pop("squish_band_height_mm"),
            d["maps"][0]["ports"][0]["windows"][0].update(outline_mm=box(-14, 28, 14, 70)),
        ),
        "maps[0].ports[0].windows[0].outline_mm: the roof at 70 mm stands above what the crown edge",
    ),
    "port far below the base": (
        lambda d: d["maps"][0]["ports"][2]["windows"][0].update(outline_mm=box(60, -40, 84, 17)),
        "maps[0].ports[2].windows[0].outline_mm: the floor at -40 mm lies more than a stroke below",
    ),
    "piston strikes the head": (
        lambda d: d["cylinder"].update(squish_band_height_mm=60.0),
        "cylinder.squish_band_height_mm: at 60 mm it is 0.60 mm below the crown edge at TDC (60.6 mm)",
    ),
    "pocket upside down": (
        lambda d: d["maps"][0]["ports"][0].update(
            pocket={"top_below_crown_mm": 20, "bottom_below_crown_mm": 12}
        ),
        "maps[0].ports[0].pocket.bottom_below_crown_mm: the pocket's lower edge, 12 mm below the crown, is",
    ),
    "doubt negative": (
        lambda d: d["maps"][0]["ports"][0]["windows"][0].update(doubt=DOUBT | {"roof_u_mm": -1}),
        "maps[0].ports[0].windows[0].doubt.roof_u_mm: -1 makes no sense here: it must be at least 0 mm",
    ),
    "engine is a list": (
        lambda d: d.update(engine=[]),
        "engine: a list is not an object; write it in braces",
    ),
    "maps is an object": (lambda d: d.update(maps={}), "maps: an object is not a list"),
    "gasket negative": (lambda d: d["cylinder"].update(base_gasket_mm=-0.1), "cylinder.base_gasket_mm: -0.1"),
    "covariance of another size": (
        lambda d: d["engine"].update(doubt={"figures": ["bore_mm", "rod_mm"], "covariance": [[0.01]]}),
        "engine.doubt.covariance: 2 figures need a covariance of 2 by 2 numbers",
    ),
    "covariance not symmetric": (
        lambda d: d["engine"].update(
            doubt={"figures": ["bore_mm", "rod_mm"], "covariance": [[1, 0], [0.5, 1]]}
        ),
        "engine.doubt.covariance: it is not symmetric",
    ),
    "basis of what is not a figure": (
        lambda d: d["engine"].update(basis={"piston": "assumed"}),
        "engine.basis.piston: there is no figure of this name in engine",
    ),
    "two ports of one name among the readings": (
        lambda d: d.update(edges=2 * [{"id": "e", "kind": "exhaust", "control": "crown", "roof_mm": 40.0}]),
        "edges[1].id: 'e' is the name of edges[0] too",
    ),
    "roof under the floor among the readings": (
        lambda d: d.update(
            edges=[{"id": "e", "kind": "exhaust", "control": "crown", "roof_mm": 20.0, "floor_mm": 30.0}]
        ),
        "edges[0].roof_mm: the roof at 20 mm is not above the floor at 30 mm",
    ),
    "reading of no kind": (
        lambda d: d.update(readings=[{"kind": "feeling", "value": 1.0, "unit": "mm"}]),
        "readings[0].kind: ",
    ),
    "half a character": (lambda d: d.update(name="\ud800"), "name: holds half a character"),
}


@pytest.mark.parametrize(("spoil", "line"), FAULTS.values(), ids=FAULTS)
def test_a_fault_is_one_line(spoil, line):
    document = sample()
    spoil(document)
    told = faults(document)
    assert len(told) == 1
    assert told[0].startswith(line)
    assert "; " in told[0]


def test_five_faults_are_five_lines():
    document = sample()
    document["engine"]["rod_mm"] = 15
    document["engine"]["bore"] = 46
    document["cylinder"]["base_gasket_mm"] = "0.4"
    document["maps"][0]["ports"][1]["id"] = "exhaust"
    document["maps"][0]["ports"][2]["windows"][0]["outline_mm"] = [[60, 8], [84, 17], [84, 8], [60, 17]]
    assert [line.split(": ")[0] for line in faults(document)] == [
        "engine.bore",
        "cylinder.base_gasket_mm",
        "engine.rod_mm",
        "maps[0].ports[1].id",
        "maps[0].ports[2].windows[0].outline_mm",
    ]


def test_a_file_with_hundreds_of_faults_names_the_first_and_counts_the_rest():
    document = changed("maps.0.ports.0.windows.0.outline_mm", [["a", "b"]] * 300)
    told = faults(document)
    assert len(told) == 26
    assert told[-1] == "and 575 faults more; mend these first"


@pytest.mark.parametrize(
    ("document", "line"),
    [
        ([], "this is not a job file"),
        (None, "this is not a job file"),
        ({}, 'the format must be "portmap-job", but it says nothing'),
        ({"format": "portmap-map"}, "but it says 'portmap-map'"),
        (
            {"format": "portmap-job", "version": 2},
            "version 2 is newer than this portmap, which reads 1; update",
        ),
        ({"format": "portmap-job", "version": 10**500}, "version a huge number is newer"),
    ],
    ids=["list", "null", "empty", "a map", "newer", "absurdly newer"],
)
def test_other_files_and_newer_versions(document, line, tmp_path):
    assert line in faults(document)[0]
    assert len(faults(document)) == 1


@pytest.mark.parametrize("version", [0, "1", 1.5, True, None, -3], ids=repr)
def test_no_other_version(version):
    assert faults(changed("version", version))[0].startswith("version: ")


def test_a_file_of_another_kind_is_refused_by_its_name(tmp_path):
    path = tmp_path / "flat.json"
    path.write_text('{"format": "portmap-image", "version": 1}')
    with pytest.raises(JobError, match=r"flat\.json: the format must be \"portmap-job\", but it says"):
        read_job(path)


# --- doubts ---


def test_a_sound_job_has_no_second_look():
    assert reviewed(job_of(sample())) == ()
    assert missing_fields(job_of(sample())) == (
        ("engine.case_volume_cm3", "the case ratio"),
        ("cylinder.deck_height_mm", "a check that no port is above the deck"),
    )


DOUBTS = {
    "kind-guessed": lambda d: d["maps"][0]["ports"][0].update(kind_guessed=True),
    "not-timeable": lambda d: d["engine"].update(skirt_length_mm=None),
    "never-opens": lambda d: d["maps"][0]["ports"][1]["windows"][0].update(
        outline_mm=box(20, 20, 32, 28), doubt=DOUBT
    ),
    "never-closes": lambda d: d["maps"][0]["ports"][1]["windows"][0].update(
        outline_mm=box(20, 28, 32, 61), doubt=DOUBT
    ),
    "no-exhaust": lambda d: d["maps"][0]["ports"][0].update(kind="other"),
    "no-transfer": lambda d: d["maps"][0]["ports"][1].update(kind="other"),
    "windows-overlap": lambda d: d["maps"][0]["ports"][1]["windows"][0].update(
        outline_mm=box(12, 28, 32, 36), doubt=DOUBT
    ),
    "doubt-unknown": lambda d: d["maps"][0]["ports"][0]["windows"][0].pop("doubt"),
    "few-markers": lambda d: d.update(warnings=[{"code": "few-markers", "message": "12 of 88."}]),
}


@pytest.mark.parametrize(("code", "spoil"), DOUBTS.items(), ids=DOUBTS)
def test_what_is_doubtful_is_said(code, spoil):
    document = sample()
    spoil(document)
    codes = [notice.code for notice in reviewed(job_of(document))]
    assert code in codes


def test_an_uneven_pair_says_which_side_and_how_much():
    document = sample()
    document["maps"][0]["ports"][1] |= {
        "mirror": False,
        "windows": [
            {"outline_mm": box(20, 28, 32, 36), "doubt": DOUBT},
            {"outline_mm": box(-32, 28, -20, 36.5), "doubt": DOUBT},
        ],
    }
    assert [notice.message for notice in reviewed(job_of(document))] == [
        "The roof of main is 0.50 mm higher on the left than on the right."
    ]


def test_an_overlap_across_the_wrap_is_seen():
    half = math.pi * 46.0 / 2
    other = {
        "id": "reed",
        "kind": "other",
        "control": "none",
        "windows": [{"outline_mm": box(-half - 5, 8, -half + 5, 17), "doubt": DOUBT}],
    }
    document = sample()
    document["maps"][0]["ports"].append(other)
    notices = [n for n in reviewed(job_of(document)) if n.code == "windows-overlap"]
    # the intake reaches from 60 to 84; its other name is 60 − π·46 = −84.5 to −60.5, all of the new window
    assert len(notices) == 1
    assert "90.0 mm²" in notices[0].message


def test_each_maps_doubts_are_told_apart():
    document = sample()
    document["maps"].append(json.loads(json.dumps(document["maps"][0])) | {"stage": "ground"})
    document["maps"][1]["ports"][0]["kind_guessed"] = True
    job = job_of(document)
    assert [notice.message for notice in reviewed(job)] == [
        "ground: The kind of exhaust was guessed from its place and not stated."
    ]
    assert job_notices(job, "stock") == ()


# --- schema ---


def test_the_schema_names_every_field_that_the_reader_knows():
    schema = job_schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["additionalProperties"] is False
    for part, fields in (
        ("EngineEntry", sample()["engine"]),
        ("CylinderEntry", sample()["cylinder"]),
        ("PortEntry", sample()["maps"][0]["ports"][1]),
        ("WindowEntry", sample()["maps"][0]["ports"][0]["windows"][0]),
        ("DoubtEntry", DOUBT),
    ):
        assert set(fields) <= set(schema["$defs"][part]["properties"])
        assert schema["$defs"][part]["additionalProperties"] is False
    assert map_schema()["properties"]["format"]["const"] == "portmap-map"


# --- map files ---


def test_map_faults_have_their_paths():
    document = {
        "format": "portmap-map",
        "version": 1,
        "ports": [{"id": "1", "kind": "other", "control": "crown", "windows": [{"outline_mm": [[0, 0]]}]}],
        "sauce": 1,
    }
    with pytest.raises(JobError, match=r"ports\[0\]\.windows\[0\]\.outline_mm: at least 3") as caught:
        map_of(document)
    assert str(caught.value).splitlines()[1] == "sauce: is not a field here; did you mean source?"
