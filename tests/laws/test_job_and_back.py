"""Law: an engine and its windows written to a job and read again are the same engine and the same windows.

Sizes come back to the last digit. Outlines come back to what a file holds, 0.00001 mm a coordinate, so that
areas agree to the outline's length times that.
"""

from hypothesis import given, settings
from hypothesis import strategies as st

from portmap.engine import Engine
from portmap.job import engine_of, job_of, port_map_of
from portmap.job_faults import document_of
from portmap.map_file import window_document
from portmap.port import Window
from tests.strategies import engines, windows

FILE_MM = 1e-5


def document(engine: Engine, window: Window) -> dict:
    return {
        "format": "portmap-job",
        "version": 1,
        "name": "invented",
        "engine": {
            "bore_mm": engine.bore_mm,
            "stroke_mm": engine.crank.stroke_mm,
            "rod_mm": engine.crank.rod_mm,
            "pin_offset_mm": engine.crank.pin_offset_mm,
            "crown_height_mm": engine.crown_height_mm,
            "skirt_length_mm": engine.skirt_length_mm,
        },
        "cylinder": {"base_gasket_mm": engine.base_gasket_mm},
        "maps": [
            {
                "stage": "ground",
                "ports": [
                    {"id": "a", "kind": "other", "control": "crown", "windows": [window_document(window)]}
                ],
            }
        ],
    }


@given(engines(), windows(), st.integers(0, 1))
@settings(deadline=None)
def test_job_and_back(engine, window, twice):
    written = document(engine, window)
    job = job_of(written)
    if twice:
        job = job_of(document_of(job))
    assert engine_of(job) == engine
    assert document_of(job) == written
    read = port_map_of(job, "ground").ports[0].windows[0].outline
    assert abs(read.area - window.outline.area) <= FILE_MM * window.outline.length
    assert read.hausdorff_distance(window.outline) <= 2 * FILE_MM
