import pickle

import pytest

from portmap.errors import (
    ArchiveError,
    GeometryError,
    JobError,
    Notice,
    OutputError,
    PictureError,
    PortmapError,
    QuantityError,
)

FAULTS = (
    JobError("must be above 0", where="engine.bore_mm"),
    GeometryError("crosses itself", where="maps[0]"),
)


@pytest.mark.parametrize(
    ("kind", "also"),
    [
        (QuantityError, ValueError),
        (GeometryError, ValueError),
        (JobError, ValueError),
        (PictureError, ValueError),
        (OutputError, OSError),
        (ArchiveError, OSError),
    ],
)
def test_callers_may_catch_ours_or_the_builtin(kind, also):
    assert issubclass(kind, PortmapError)
    assert issubclass(kind, also)


@pytest.mark.parametrize(
    ("error", "line"),
    [
        (PortmapError("no window found"), "no window found"),
        (PortmapError("no window found", where="flat.png"), "flat.png: no window found"),
        (PortmapError("it exists", where="a.json", remedy="add --force"), "a.json: it exists; add --force"),
        (OutputError("the disk is full", where="a.json"), "a.json: the disk is full"),
    ],
)
def test_a_sentence_is_made_of_place_fault_and_remedy(error, line):
    assert str(error) == line


@pytest.mark.parametrize(
    "error",
    [
        PortmapError("m", where="w", remedy="r"),
        OutputError("m", where="w", remedy="r"),
        JobError("m", where="w", remedy="r"),
        JobError.of(FAULTS),
    ],
    ids=["base", "output", "job", "several faults"],
)
def test_errors_survive_pickling(error):
    again = pickle.loads(pickle.dumps(error))  # noqa: S301 - our own bytes
    assert type(again) is type(error)
    assert (again.message, again.where, again.remedy, str(again)) == (
        error.message,
        error.where,
        error.remedy,
        str(error),
    )


def test_a_path_grows_on_the_way_out():
    error = GeometryError("crosses itself", where="outline_mm").at("windows[0]").at("ports[2]")
    assert error.where == "ports[2].windows[0].outline_mm"
    assert isinstance(error, GeometryError)


def test_five_faults_are_five_lines():
    several = JobError.of(tuple(JobError("is wrong", where=f"field{number}") for number in range(5)))
    assert str(several).splitlines() == [f"field{number}: is wrong" for number in range(5)]
    assert str(several.at("job.json")).splitlines()[4] == "job.json.field4: is wrong"


def test_a_notice_goes_into_json_as_it_is():
    assert Notice(code="few-markers", message="Only 3.").as_dict() == {
        "code": "few-markers",
        "message": "Only 3.",
    }
