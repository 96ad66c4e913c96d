"""Batches: the same bytes for any number of workers, gone on with after a kill, no item stops another."""

import csv
import io
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

import psutil
import pytest
from distributed import LocalCluster, as_completed
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from portmap import batch as batching
from portmap import batch_workers
from portmap.batch import batch, pieces_in
from portmap.batch_family import MOST_CASES, cases_of
from portmap.batch_state import STATE_NAME, opened_state
from portmap.batch_work import Orders, Piece, result_of, steps_of
from portmap.batch_workers import Crew, Workers, crew_of
from portmap.cli import main
from portmap.errors import OutputError, PortmapError, QuantityError
from tests.deadly_jobs import KILLS, KILLS_ONCE, result_or_death
from tests.sample_job import sample, traced_map

THREADS = Workers(count=2, how="threads")
AREAS = Orders(steps=("areas",))
QUIET = "127.0.0.1:0"  # any free port
SAMPLES = Path(__file__).parent.parent / "sample_images"

KILLED_AFTER_TWO = """
import os, signal, sys
from pathlib import Path
from portmap.batch import batch
from portmap.batch_work import Orders
from portmap.batch_workers import Workers
def tell(done, total, item):
    if done == 2:
        os.kill(os.getpid(), signal.SIGKILL)
workers = Workers(how="threads")
batch(Path(sys.argv[1]), Path(sys.argv[2]), Orders(steps=("areas",)), workers=workers, tell=tell)
"""


def job_file(place, *, roof_mm=40.0):
    document = sample()
    document["maps"][0]["ports"][0]["windows"][0]["outline_mm"][2][1] = roof_mm
    document["maps"][0]["ports"][0]["windows"][0]["outline_mm"][3][1] = roof_mm
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_text(json.dumps(document))


@pytest.fixture
def jobs(tmp_path):
    """A folder of four invented jobs, one of them deeper."""
    folder = tmp_path / "jobs"
    for name, roof_mm in [("a", 40.0), ("b", 40.5), ("c", 41.0), ("deep/d", 41.5)]:
        job_file(folder / f"{name}.json", roof_mm=roof_mm)
    return folder


def tree(folder):
    """Every file's content by its place."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def rows_of(folder):
    return list(csv.DictReader(io.StringIO((folder / "summary.csv").read_text())))


def test_one_two_and_many_workers_in_threads_or_processes_leave_the_same_bytes(jobs, tmp_path):
    (jobs / "bad.json").write_text("{")
    ways = [
        Workers(count=1, how="threads"),
        Workers(count=5, how="threads"),
        Workers(count=2, how="processes"),
    ]
    trees = []
    for number, workers in enumerate(ways):
        out = tmp_path / f"out{number}"
        batch(jobs, out, AREAS, workers=workers)
        trees.append(tree(out))
    assert trees[0] == trees[1] == trees[2]
    assert {"summary.csv", "summary.parquet", STATE_NAME, "items/deep/d.json/areas.csv"} <= set(trees[0])


def test_a_batch_killed_in_the_middle_is_gone_on_with_and_ends_as_if_it_had_not_been(jobs, tmp_path):
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    batch(jobs, whole, AREAS, workers=THREADS)
    killed = subprocess.run([sys.executable, "-c", KILLED_AFTER_TWO, str(jobs), str(cut)], check=False)
    assert killed.returncode == -signal.SIGKILL
    assert not (cut / "summary.csv").exists()
    with (cut / STATE_NAME).open("ab") as stream:
        stream.write(b'{"item": "c.json", "ca')  # a line that a power cut tore
    (cut / "items" / ".areas.json.x1.part").write_bytes(b"half")
    asked = []
    found = batch(jobs, cut, AREAS, workers=THREADS, tell=lambda done, total, item: asked.append(item))
    assert found.kept == 2
    assert asked == ["", *asked[1:]]
    assert sorted(asked[1:]) == ["c.json", "deep/d.json"]
    assert tree(cut) == tree(whole)


def test_only_what_changed_or_failed_is_done_again(jobs, tmp_path):
    out = tmp_path / "out"
    (jobs / "bad.json").write_text("{")
    batch(jobs, out, AREAS, workers=THREADS)

    def done_again(orders=AREAS):
        items = []
        batch(jobs, out, orders, workers=THREADS, tell=lambda done, total, item: items.append(item))
        return sorted(items[1:])

    assert done_again() == ["bad.json"]
    job_file(jobs / "bad.json")
    job_file(jobs / "a.json", roof_mm=39.0)
    (out / "items/b.json/areas.json").unlink()
    (out / "items/c.json/areas.csv").write_text("edited")
    assert done_again() == ["a.json", "b.json", "bad.json", "c.json"]
    assert done_again() == []
    assert len(done_again(Orders(steps=("areas",), stage="stock"))) == 5


def test_a_job_that_was_taken_out_is_not_in_the_next_summary(jobs, tmp_path):
    out = tmp_path / "out"
    batch(jobs, out, AREAS, workers=THREADS)
    (jobs / "a.json").unlink()
    assert batch(jobs, out, AREAS, workers=THREADS).kept == 3
    assert {row["item"] for row in rows_of(out)} == {"b.json", "c.json", "deep/d.json"}
    assert b'"a.json"' not in (out / STATE_NAME).read_bytes()


def hostile(folder):
    """Items that must fail; by name the words that say why."""
    good = json.dumps(sample())
    texts = {
        "array.json": ("[]", "array.json"),
        "empty.json": ("", "not valid JSON"),
        "deep.json": ("[" * 100_000, "nested too deeply"),
        "nan.json": (good.replace("46.0", "NaN"), "NaN is not a figure"),
        "map.json": (json.dumps(traced_map()), "map"),
        "bore.json": (good.replace("46.0", "-46.0"), "engine.bore_mm: -46"),
        "two\nlines.json": ("{", r"two\nlines.json"),
        "bytes.jpg": ("junk", "not a picture that can be read"),
        "empty.heic": ("", "empty.heic"),
    }
    for name, (text, _) in texts.items():
        (folder / name).write_text(text)
    words = {name: said for name, (_, said) in texts.items()}
    (folder / "cut.jpg").write_bytes((SAMPLES / "cut.jpg").read_bytes()[:20_000])
    (folder / "nowhere.json").symlink_to(folder / "no-such")
    os.mkfifo(folder / "pipe.png")
    return words | {"cut.jpg": "cut off", "nowhere.json": "cannot be read", "pipe.png": "no plain file"}


def test_broken_and_hostile_items_fail_in_one_line_each_and_stop_nothing(tmp_path):
    folder, out = tmp_path / "in", tmp_path / "out"
    job_file(folder / "good.json")
    words = hostile(folder)
    orders = Orders(steps=("flatten", "trace", "areas"))
    found = batch(folder, out, orders, workers=THREADS)
    errors = {record.item: record.error for record in found.records if record.error is not None}
    assert set(errors) == set(words)
    for name, said in words.items():
        assert said in errors[name], name
        assert errors[name].isprintable()
        assert "portmap itself failed" not in errors[name]
    rows = rows_of(out)
    assert [row["port"] for row in rows if row["status"] == "done"] == ["exhaust", "main", "intake"]
    assert {row["item"]: row["error"] for row in rows if row["status"] == "failed"} == errors
    assert os.listdir(out / "items") == ["good.json"]


def test_a_name_that_is_no_text_fails_and_is_shown(jobs, tmp_path):
    try:
        (jobs / os.fsdecode(b"\xff.json")).write_text("{}")
    except OSError:
        pytest.skip("this file system takes no such name")
    found = batch(jobs, tmp_path / "out", AREAS, workers=THREADS)
    assert [record.item for record in found.records if record.error] == ["\\xff.json"]


def test_workers_of_this_machine_hear_this_machine_alone():
    with crew_of(Workers(count=1)) as crew:
        here = psutil.Process()
        ends = [end for each in (here, *here.children(recursive=True)) for end in each.net_connections()]
        assert {end.laddr.ip for end in ends if end.status == psutil.CONN_LISTEN} == {"127.0.0.1"}
        assert len(crew.client.nthreads()) == 1


def test_a_worker_that_dask_gave_up_is_replaced_while_work_waits_for_it(monkeypatch):
    monkeypatch.setattr(batch_workers, "_LOST", "1s")
    monkeypatch.setattr(batch_workers, "_LOOK_S", 0.2)
    with crew_of(Workers(count=1)) as crew:
        (first,) = crew.client.nthreads()
        crew.client.retire_workers([first], close_workers=True)
        with crew.watched({}):
            future = crew.client.submit(os.getpid, pure=False)
            assert future.result(timeout=120) != os.getpid()
        (second,) = crew.client.nthreads()
        assert second != first


def test_work_that_no_worker_takes_up_is_called_off_and_said(monkeypatch):
    monkeypatch.setattr(batch_workers, "_LOOK_S", 0.2)
    monkeypatch.setattr(batch_workers, "_PATIENCE_S", 0.5)
    with LocalCluster(n_workers=0, processes=False, dashboard_address=QUIET) as cluster:
        client = cluster.get_client()
        crew = Crew(client=client, cluster=None, count=1)
        future = client.submit(os.getpid, pure=False)
        with crew.watched({future.key: None}):
            assert list(as_completed([future], timeout=60)) == [future]
        with pytest.raises(PortmapError, match="went away; run the same batch again"):
            batching._result(Piece(item="a.jpg", kind="picture"), future)
        client.close()


@pytest.mark.parametrize("count", [1, 2])
def test_a_piece_that_kills_each_worker_has_failed_and_takes_no_other_with_it(
    jobs, tmp_path, monkeypatch, count
):
    out, killer = tmp_path / "out", jobs / "b.json"
    killer.write_text(killer.read_text().replace(sample()["name"], KILLS))
    monkeypatch.setattr(batching, "result_of", result_or_death)
    found = batch(jobs, out, AREAS, workers=Workers(count=count))
    errors = {record.item: record.error for record in found.records if record.error is not None}
    words = "b.json: each worker that took it up died; look at its size and the memory"
    assert errors == {"b.json": words}
    monkeypatch.undo()
    whole = tmp_path / "whole"
    batch(jobs, whole, AREAS, workers=THREADS)
    items = [tree(place / "items") for place in (out, whole)]
    assert {name: content for name, content in items[1].items() if not name.startswith("b.json")} == items[0]
    assert batch(jobs, out, AREAS, workers=THREADS).kept == 3
    assert tree(out) == tree(whole)


def test_a_piece_whose_worker_died_once_is_tried_again_alone(jobs, tmp_path, monkeypatch):
    flag, place = tmp_path / "flag", jobs / "a.json"
    flag.touch()
    place.write_text(place.read_text().replace(sample()["name"], f"{KILLS_ONCE}{flag}"))
    monkeypatch.setattr(batching, "result_of", result_or_death)
    done = []
    found = batch(
        jobs,
        tmp_path / "out",
        AREAS,
        workers=Workers(count=2),
        tell=lambda count, total, item: done.append(item),
    )
    assert [record.error for record in found.records] == [None] * 4
    assert done[-1] == "a.json"
    assert not flag.exists()


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("nonsense", "'nonsense' is no address"),
        ("", "'' is no address"),
        ("gopher://bench:8786", "is no address"),
        ("tcp://127.0.0.1:1", r"no scheduler answers at tcp://127\.0\.0\.1:1 \(Connection refused\)"),
        ("tcp://no-such-bench.invalid:8786", "no scheduler answers at"),
    ],
    ids=["a word", "empty", "other scheme", "nobody there", "no such machine"],
)
def test_a_bad_scheduler_address_is_one_line(jobs, tmp_path, address, message):
    with pytest.raises(PortmapError, match=message):
        batch(jobs, tmp_path / "out", AREAS, workers=Workers(scheduler=address, wait_s=2.0))


def test_what_listens_but_is_no_scheduler_is_one_line(jobs, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as server:
        address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
        with pytest.raises(PortmapError, match="no scheduler answers"):
            batch(jobs, tmp_path / "out", AREAS, workers=Workers(scheduler=address, wait_s=1.0))


def test_a_cluster_by_its_address_gives_the_same_bytes(jobs, tmp_path):
    batch(jobs, tmp_path / "here", AREAS, workers=THREADS)
    with LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, protocol="tcp", dashboard_address=QUIET
    ) as cluster:
        batch(jobs, tmp_path / "there", AREAS, workers=Workers(scheduler=cluster.scheduler_address))
    assert tree(tmp_path / "there") == tree(tmp_path / "here")


def test_a_cluster_without_workers_is_one_line(jobs, tmp_path):
    with (
        LocalCluster(n_workers=0, processes=False, protocol="tcp", dashboard_address=QUIET) as cluster,
        pytest.raises(PortmapError, match="has no workers"),
    ):
        batch(jobs, tmp_path / "out", AREAS, workers=Workers(scheduler=cluster.scheduler_address, wait_s=0.5))


def test_photos_give_what_the_verbs_give_byte_for_byte(tmp_path, capsys):
    photo = SAMPLES / "cut.jpg"
    orders = Orders(steps=("flatten", "trace", "areas"), mm_per_px=0.2, bar_measured_mm=(100.0, 100.0))
    piece = Piece(item="left/cut.jpg", kind="picture")
    result = result_of(piece, orders, {"cut.jpg": photo.read_bytes()})
    flat, traced, drawn = (str(tmp_path / name) for name in ("flat.png", "map.json", "overlay.png"))
    told = ["--mm-per-px", "0.2", "--bar-measured", "100"]
    assert main(["flatten", str(photo), "--out", flat, *told]) == 0
    assert main(["trace", flat, "--out", traced, "--overlay", drawn]) == 0
    capsys.readouterr()
    made = tree(tmp_path)
    assert {name: content for name, content in result.outputs.items() if name != "areas.json"} == made
    again = {"flat.png": made["flat.png"], "flat.json": made["flat.json"]}
    traced_only = result_of(Piece(item="flat.png", kind="picture"), Orders(steps=("trace", "areas")), again)
    assert traced_only.outputs["map.json"] == made["map.json"]
    assert [row["wall_area_mm2"] for row in traced_only.rows] == [row["wall_area_mm2"] for row in result.rows]


def test_a_picture_without_its_scale_names_the_item_and_no_place_of_the_worker():
    content = (SAMPLES / "cut.jpg").read_bytes()
    orders = Orders(steps=("trace",))
    result = result_of(Piece(item="left/cut.jpg", kind="picture"), orders, {"cut.jpg": content})
    assert result.error.startswith("left/cut.jpg: has no cut.json beside it")
    assert tempfile.gettempdir() not in result.error


def test_jobs_give_what_the_areas_verb_gives(jobs, tmp_path, capsys):
    batch(jobs, tmp_path / "out", AREAS, workers=THREADS)
    home = tmp_path / "out/items/a.json"
    table = tmp_path / "areas.csv"
    assert main(["areas", str(jobs / "a.json"), "--json", "--csv", str(table)]) == 0
    document = json.loads(capsys.readouterr().out)
    del document["csv"]
    assert json.loads((home / "areas.json").read_text()) == document
    assert (home / "areas.csv").read_bytes() == table.read_bytes()


def test_a_study_gives_for_each_case_what_the_plan_verb_gives(tmp_path, capsys):
    folder, out = tmp_path / "in", tmp_path / "out"
    job_file(folder / "a.json")
    told = ["--sweep", "exhaust opens 97:99:2", "--want", "squish 0.5 mm", "--have", "grinder,lathe"]
    assert main(["batch", str(folder), *told, "--out", str(out), "--threads", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["pieces"], answer["done"], answer["failed"]) == (2, 2, [])
    row, _ = rows_of(out)
    assert (row["case"], row["wanted"], row["possible"]) == ("exhaust opens 97", "97.0", "yes")
    wishes = ["--want", "exhaust opens 97", "--want", "squish 0.5 mm", "--have", "grinder,lathe"]
    assert main(["plan", str(folder / "a.json"), *wishes, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    studied = json.loads((out / "items/a.json/exhaust-opens-97.json").read_text())
    assert studied["recipes"] == document["recipes"]
    assert float(row["reached"]) == document["recipes"][0]["result"]["opens_deg"]["exhaust"]


def test_the_parquet_file_holds_what_the_csv_holds(jobs, tmp_path):
    (jobs / "bad.json").write_text("{")
    found = batch(jobs, tmp_path / "out", AREAS, workers=THREADS)
    packed, rows = parquet.read_table(found.parquet).to_pylist(), rows_of(tmp_path / "out")
    assert [list(row) for row in packed] == [list(row) for row in rows]
    for left, right in zip(packed, rows, strict=True):
        assert {name: "" if value is None else str(value) for name, value in left.items()} == right


def test_without_pyarrow_that_is_said(jobs, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    found = batch(jobs, tmp_path / "out", AREAS, workers=THREADS)
    assert found.parquet is None
    assert [notice.code for notice in found.notices] == ["no-parquet"]


def test_sidecars_hidden_files_pictures_of_a_job_and_results_are_no_items(jobs):
    for name in ("flat.png", ".hidden.json", "a.pictures/x.jpg", "out/items/y.json", "notes.txt"):
        (jobs / name).parent.mkdir(parents=True, exist_ok=True)
        (jobs / name).write_text("x")
    (jobs / "flat.json").write_text('{"format": "portmap-image"}')
    orders = Orders(steps=("trace", "areas"))
    pieces, left_out = pieces_in(jobs, orders, out=jobs / "out")
    assert [piece.item for piece in pieces] == ["a.json", "b.json", "c.json", "flat.png", "deep/d.json"]
    assert left_out == 2


def test_a_folder_of_results_is_one_batchs_alone(jobs, tmp_path):
    other, out = tmp_path / "other", tmp_path / "out"
    other.mkdir()
    (other / "letter.txt").write_text("dear")
    with pytest.raises(OutputError, match="holds other things"):
        batch(jobs, other, AREAS, workers=THREADS)
    with opened_state(out), pytest.raises(OutputError, match="another batch is at work"):
        batch(jobs, out, AREAS, workers=THREADS)
    (out / STATE_NAME).write_text("my own notes\n")
    with pytest.raises(OutputError, match="not the record of a batch"):
        batch(jobs, out, AREAS, workers=THREADS)
    assert (out / STATE_NAME).read_text() == "my own notes\n"


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.binary(max_size=60).filter(lambda line: b"\n" not in line), max_size=4),
    st.binary(max_size=40),
)
def test_a_damaged_record_costs_only_its_own_lines(tmp_path_factory, lines, torn):
    """A line that cannot be read is as if it had not been written; those before and after it stand."""
    folder = tmp_path_factory.mktemp("state")
    line = (
        b'{"item": "a", "case": "", "input_sha256": "0", "orders_sha256": "0", "outputs": {}, "rows": [],'
        b' "error": null}'
    )
    with opened_state(folder):
        pass
    with (folder / STATE_NAME).open("ab") as stream:
        stream.write(b"\n".join([*lines, line, torn.replace(b"\n", b"")]))
    with opened_state(folder) as state:
        assert set(state.known) == {("a", "")}
    shutil.rmtree(folder)


@settings(deadline=None, max_examples=40)
@given(first=st.integers(1, 40), step=st.integers(1, 8), count=st.integers(1, 40), places=st.integers(0, 3))
def test_a_family_has_every_step_from_first_to_last_as_typed(first, step, count, places):
    """Counting in whole thousandths by hand gives the same texts."""

    def text(value):
        digits = str(value).rjust(places + 1, "0")
        return digits if places == 0 else f"{digits[:-places]}.{digits[-places:]}"

    values = [first + number * step for number in range(count)]
    phrase = f"exhaust opens {text(values[0])}:{text(values[-1])}:{text(step)}"
    assert [case.text for case in cases_of([phrase])] == [f"exhaust opens {text(value)}" for value in values]


@pytest.mark.parametrize(
    ("phrases", "message"),
    [
        (["exhaust opens 96"], "has no range in it"),
        (["exhaust opens 96:104"], "has no range in it"),
        (["exhaust opens 96:104:2:1"], "has no range in it"),
        (["exhaust opens 96:104:-2"], "never leads from 96 to 104"),
        (["exhaust opens 96:104:0"], "never leads from 96 to 104"),
        (["exhaust opens 90:110:0.001"], "has 20,001 values"),
        (["exhaust opens 90:100:0.1", "squish 0.5:1:0.01 mm"], f"more than {MOST_CASES:,}"),
        (["exhaust sings 96:104:2"], "exhaust sings 96"),
    ],
    ids=["one", "two", "four", "backward", "no step", "endless", "product", "no wish"],
)
def test_a_sweep_that_makes_no_sense_is_refused(phrases, message):
    with pytest.raises(QuantityError, match=re.escape(message)):
        cases_of(phrases)


def test_steps_are_taken_in_working_order_whatever_order_they_are_typed_in():
    assert steps_of("areas,flatten, TRACE") == ("flatten", "trace", "areas")
    with pytest.raises(QuantityError, match="'roof' is no step; name some of flatten, trace, areas"):
        steps_of("flatten,roof")


@pytest.mark.parametrize(
    ("told", "code", "message"),
    [
        ([], 2, "name steps"),
        (["--do", "areas", "--sweep", "squish 0.5:1:0.1"], 2, "name steps"),
        (["--do", "areas", "--scheduler", "tcp://x:1", "--workers", "2"], 2, "those of the cluster"),
        (["--do", "areas", "--workers", "0"], 2, "--workers"),
        (["--do", "areas", "--want", "squish 0.5"], 1, "--want: this is for a study with --sweep only"),
        (["--sweep", "squish 0.5:1:0.1", "--lift", "cut"], 1, "--lift: this is for photos only"),
        (["--sweep", "squish 0.5:1:0.1", "--have", "hammer"], 1, "'hammer' is not a tool"),
        (["--do", "flatten"], 1, "there is no photo in it"),
        (["--do", "areas", "--scheduler", "bench"], 1, "--scheduler: 'bench' is no address"),
    ],
    ids=["nothing", "both", "two kinds", "none", "want", "lift", "tool", "no photo", "address"],
)
def test_wrong_words_are_refused_before_any_work(jobs, tmp_path, capsys, told, code, message):
    assert main(["batch", str(jobs), "--out", str(tmp_path / "out"), *told]) == code
    assert message in re.sub(r"\s+|│", " ", capsys.readouterr().err)


def test_a_person_reads_what_failed_and_the_exit_code_says_so(jobs, tmp_path, capsys):
    (jobs / "bad.json").write_text("{")
    told = ["batch", str(jobs), "--do", "areas", "--threads", "--out", str(tmp_path / "out")]
    assert main(told) == 1
    assert "Done: 4 of 5." in (out := capsys.readouterr().out)
    assert "bad.json: not valid JSON at line 1" in out
    (jobs / "bad.json").unlink()
    assert main(told) == 0
    assert "Done: 4 of 4, 4 of them before." in capsys.readouterr().out
