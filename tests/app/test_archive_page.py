"""The archive's page, without a browser: keep, find, look, open a copy, compare, repeat."""

import pytest

from portmap.archive import add_job, archived_document, opened_archive
from portmap.archive_facts import shapes_of
from portmap.archive_health import archive_health
from portmap.archive_search import archive_count, similar
from portmap.compare import Side, compared
from portmap.comparison_rows import port_rows
from portmap.files import read_json, write_json
from portmap.job import engine_of, job_of, port_map_of, read_job
from portmap.job_faults import document_of
from portmap.job_pictures import picture_path, pictures_of
from portmap.pack import job_picture_bytes
from portmap.repeat import repeated
from portmap.repeat_rows import repeat_rows
from portmap.revisions import revisions_of
from portmap.shown import unit_system
from tests.app.opened import button, cells, job_file, opened_page, said, tables
from tests.archived_jobs import made_up_job
from tests.cylinders import ground, job_document, stock
from tests.long_job import long_job


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """An empty working folder; the archive is beside it, as the command line would find it."""
    monkeypatch.setenv("PORTMAP_DB", str(tmp_path / "archive" / "archive.db"))
    monkeypatch.delenv("PORTMAP_PICTURES", raising=False)
    folder = tmp_path / "bench"
    folder.mkdir()
    return folder


def good_job(folder, **options):
    """A job with pictures and all three stages, in a folder of its own."""
    place = folder.parent / "good"
    place.mkdir()
    return long_job(place, readings=1, steps=1, **{"notes": 3, "photos": 2, **options})


def kept(*jobs):
    """Put jobs into the archive: files with their pictures, or documents."""
    with opened_archive() as archive:
        for job in jobs:
            if isinstance(job, dict):
                add_job(archive, job, lambda picture: b"")
            else:
                document = document_of(read_job(job))
                add_job(archive, document, lambda picture, job=job: job_picture_bytes(job, picture))


def at_hand(folder):
    """A second casting of the same kind, not ground yet."""
    document = job_document(stock())
    document["name"] = "second casting (made up)"
    document["engine"]["crown_height_mm"] = 61.2
    return job_file(folder, job_of(document))


def chosen(at, what):
    return at.button_group(key="archive with").set_value(what).run()


def test_without_an_archive_the_page_says_how_to_make_one(bench):
    at = opened_page("archive", bench)
    assert not at.exception
    assert "There is no archive yet" in said(at.info)
    assert not (bench.parent / "archive").exists()


def test_the_open_job_is_kept_with_its_pictures_and_the_first_makes_the_archive(bench):
    place = long_job(bench, readings=1, steps=1, notes=3, photos=2)
    at = opened_page("archive", bench, job=place)
    assert "Keeping the open job makes one at" in said(at.info)
    assert not (bench.parent / "archive").exists()
    at.button(key="archive add").click().run()
    assert not at.exception
    assert "Kept as job 1, form 1." in said(at.success)
    with opened_archive(create=False) as archive:
        assert archived_document(archive, 1) == read_json(place)
        assert archive_health(archive).problems == ()
        assert archive_health(archive).pictures == 2
    at.button(key="archive add").click().run()
    assert "in exactly this form already: job 1" in said(at.success)


def test_a_changed_job_is_kept_as_a_later_form_or_as_a_job_of_its_own(bench):
    own = at_hand(bench)
    kept(read_json(own))
    changed = {**read_json(own), "notes": "ground at last"}
    write_json(own, changed, force=True)
    at = opened_page("archive", bench, job=own)
    assert at.selectbox(key="archive onto").value == 1
    at.button(key="archive add").click().run()
    assert "Kept as job 1, form 2." in said(at.success)
    write_json(own, {**changed, "notes": "another casting after all"}, force=True)
    at = opened_page("archive", bench, job=own)
    at.selectbox(key="archive onto").set_value(0).run()
    at.button(key="archive add").click().run()
    assert "Kept as job 2, form 1." in said(at.success)
    with opened_archive(create=False) as archive:
        forms = [archived_document(archive, 1, form=form).get("notes") for form in (1, 2)]
        assert forms == [None, "ground at last"]
        assert archived_document(archive, 2)["notes"] == "another casting after all"


def test_a_picture_that_is_gone_keeps_the_job_out_and_is_named(bench):
    place = long_job(bench, readings=1, steps=1, notes=3, photos=1)
    (picture,) = pictures_of(read_job(place))
    picture_path(place, picture).unlink()
    at = opened_page("archive", bench, job=place)
    at.button(key="archive add").click().run()
    assert not at.exception
    assert f"the job's picture {picture.name} is not there" in said(at.error)
    with opened_archive(create=False) as archive:
        assert archive_count(archive) == 0


def test_ports_like_those_at_hand_are_found_whatever_the_engines_size(bench):
    own = at_hand(bench)
    twin = read_json(own) | {"name": "its twin"}
    kept(*(made_up_job(number) for number in range(3)), twin)
    at = opened_page("archive", bench, job=own)
    at.button_group(key="archive find").set_value("like").run()
    assert not at.exception
    rows = cells(tables(at)[0])
    job = read_job(own)
    with opened_archive(create=False) as archive:
        found = similar(archive, shapes_of(job)["stock"], limit=20)
    assert [(row[1], row[-1]) for row in rows] == [
        (one.entry.name, f"{100 * one.likeness:.0f} %") for one in found
    ]
    assert (rows[0][1], rows[0][-1]) == ("its twin", "100 %")


def test_an_empty_archive_is_said_so(bench):
    kept()
    at = opened_page("archive", bench)
    assert not at.exception
    assert "The archive is empty" in said(at.info)


def test_a_file_that_is_no_archive_is_said_and_left_alone(bench):
    place = bench.parent / "archive" / "archive.db"
    place.parent.mkdir()
    place.write_bytes(b"no archive" * 100)
    at = opened_page("archive", bench)
    assert not at.exception
    assert said(at.error)
    assert place.read_bytes() == b"no archive" * 100


@pytest.mark.parametrize(("units", "size"), [("mm", "46.00 × 32.00"), ("inch", "1.8110 × 1.2598")])
def test_the_sample_is_found_and_shown(bench, units, size):
    # 1 in is 25.4 mm (international yard and pound agreement, 1959)
    kept(good_job(bench))
    at = opened_page("archive", bench, units=units)
    assert not at.exception
    assert not at.error
    (row,) = cells(tables(at)[0])
    assert row == ["1", "invented 53 cc pump engine", "2026-03-14", "", size]
    assert "Next:" in said(at.markdown)
    assert "open the job of the casting at hand first" in said(at.info)


@pytest.mark.parametrize(
    ("units", "typed", "found"),
    [
        ("mm", {"archive words": "number"}, []),
        ("mm", {"archive from": "45", "archive to": "47"}, [46.0]),
        ("inch", {"archive from": "1.8", "archive to": "1.82"}, [46.0]),
        ("inch", {"archive to": "1.8 in"}, []),
        ("mm", {"archive words": "invented"}, [46.0]),
    ],
    ids=["no such words", "a range", "a range in inches", "none so small", "words"],
)
def test_words_and_a_range_of_bores_find(bench, units, typed, found):
    one = job_document(stock())
    others = [{**made_up_job(number), "name": f"another {number}"} for number in range(3)]
    for other, bore in zip(others, (49.0, 52.0, 58.0), strict=True):
        other["engine"] = {**other["engine"], "bore_mm": bore}
    kept(one, *others)
    at = opened_page("archive", bench, units=units)
    assert len(cells(tables(at)[0])) == 4
    for key, text in typed.items():
        at.text_input(key=key).set_value(text)
    at.run()
    assert not at.exception
    if found:
        assert [row[1] for row in cells(tables(at)[0])] == [one["name"]]
    else:
        assert "No job in the archive" in said(at.info)


def test_a_bore_that_cannot_be_read_is_named(bench):
    kept(job_document(stock()))
    at = opened_page("archive", bench)
    at.text_input(key="archive from").set_value("wide").run()
    assert not at.exception
    assert "wide" in said(at.error)


def test_pictures_are_shown_and_a_missing_one_is_named(bench):
    place = good_job(bench)
    kept(place)
    first, second = pictures_of(read_job(place))
    stored = bench.parent / "archive" / "archive.pictures" / second.sha256[:2] / f"{second.sha256}.jpg"
    stored.unlink()
    at = opened_page("archive", bench)
    assert not at.exception
    gallery = next(each.value for each in at.get("html") if "<figure" in each.value)
    assert gallery.count("/portmap/picture/") == 1
    assert f'alt="{first.name}"' in gallery
    assert "cannot be shown: the archive&#x27;s picture is missing" in gallery


def test_a_copy_is_opened_with_its_pictures_and_replaces_nothing(bench):
    from portmap.app import store

    place = good_job(bench)
    kept(place)
    there = bench / f"{store.file_stem(read_job(place).name)}.json"
    there.write_text("mine")
    at = opened_page("archive", bench)
    button(at, "Open a copy in the working folder").click().run()
    assert not at.exception
    assert there.read_text() == "mine"
    copied = at.session_state[store.OPEN].path
    assert copied.parent == bench
    assert copied.name in said(at.success)
    assert read_job(copied) == read_job(place)
    for picture in pictures_of(read_job(copied)):
        assert picture_path(copied, picture).is_file()


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_figures_side_by_side_are_the_librarys(bench, units):
    place = good_job(bench)
    kept(place)
    own = at_hand(bench)
    at = chosen(opened_page("archive", bench, job=own, units=units), "compare")
    at.toggle(key="archive all").set_value(True).run()
    assert not at.exception
    good, new = read_job(place), read_job(own)
    a, b = (
        Side(name=job.name, port_map=port_map_of(job, stage), bore_mm=46.0, engine=engine_of(job))
        for job, stage in ((good, "ground"), (new, "stock"))
    )
    shown = " ".join(tables(at))
    for port in compared(a, b).ports:
        for row in port_rows(port, unit_system(units)):
            for cell in row[2:]:
                assert f">{cell}</td>" in shown


def test_another_bore_is_compared_by_degrees(bench):
    kept(job_document(stock(), bore_mm=52.0))
    at = chosen(opened_page("archive", bench, job=at_hand(bench)), "compare")
    assert not at.exception
    assert "only degrees" in said(at.info)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_a_repeat_is_the_librarys_and_becomes_the_proposed_map(bench, units):
    place = good_job(bench)
    kept(place)
    own = at_hand(bench)
    at = chosen(opened_page("archive", bench, job=own, units=units), "repeat")
    assert not at.exception
    before = read_job(own)
    found = repeated(read_job(place), before)
    assert cells(tables(at)[-1]) == repeat_rows(found.ports, unit_system(units))
    assert read_job(own) == before  # nothing is written until it is taken
    at.button(key="archive take").click().run()
    assert not at.exception
    after = read_job(own)
    assert [entry.stage for entry in after.maps] == ["stock", "proposed"]
    wanted = {port.id: port for port in found.proposed.ports}
    for port in port_map_of(after, "proposed").ports:
        for window, other in zip(port.windows, wanted[port.id].windows, strict=True):
            assert window.outline.hausdorff_distance(other.outline) < 1e-6
    assert revisions_of(document_of(after))[-1].reason == "repeat of archived job 1"


def test_millimetres_may_be_kept_from_each_datum(bench):
    place = good_job(bench)
    kept(place)
    own = at_hand(bench)
    at = chosen(opened_page("archive", bench, job=own), "repeat")
    at.button_group(key="archive way").set_value("mm").run()
    at.button_group(key="archive datum").set_value("base").run()
    assert not at.exception
    found = repeated(read_job(place), read_job(own), way="mm", datum="base")
    assert cells(tables(at)[-1]) == repeat_rows(found.ports, unit_system("mm"))


def test_a_proposed_map_is_replaced_only_if_said(bench):
    kept(good_job(bench))
    document = job_document(stock(), ground())
    document["maps"][1]["stage"] = "proposed"
    own = job_file(bench, job_of(document))
    at = chosen(opened_page("archive", bench, job=own), "repeat")
    assert not at.exception
    assert at.button(key="archive take").disabled
    at.checkbox(key="archive instead").check().run()
    at.button(key="archive take").click().run()
    assert not at.exception
    made_of = read_job(own).maps[1].source
    assert made_of is not None
    assert made_of["made_of"] == "repeat"


def test_an_engine_of_another_bore_is_not_repeated_on(bench):
    document = job_document(ground(), bore_mm=52.0)
    kept(document)
    at = chosen(opened_page("archive", bench, job=at_hand(bench)), "repeat")
    assert not at.exception
    assert "bore" in said(at.error)
    assert not [each for each in at.button if each.key == "archive take"]
