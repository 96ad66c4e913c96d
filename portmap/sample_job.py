"""A job to look around in: the made-up engine of the sample photographs, with its ports and bench readings.

The outlines are those of the made-up wall, with the doubt of a good photo on the flat card; the readings
are what a degree wheel, a caliper and solder would show on it, with their ordinary slips. Nothing here was
measured on anything: the job says so wherever it goes.

References
----------
Degrees and depths: the engine's own slider-crank, rounded as its tools show them; the slips are invented.
"""

from __future__ import annotations

from dataclasses import replace

from portmap.job import Job, job_of
from portmap.job_schema import VERSION
from portmap.map_file import window_document
from portmap.port import WindowDoubt
from portmap.reading_list import with_readings
from portmap.samples import samples

__all__ = ["SAMPLE_STEM", "sample_job"]

SAMPLE_STEM = "sample-pump-engine"
CONTROLS = {"exhaust": "crown", "transfer": "crown", "intake": "skirt"}
# of a photo of a lifted sheet on the card, by our own accuracy study, rounded up
NOTES = (
    "Made up, to look around in: the outlines are those of the sample photos' made-up wall, the readings are"
    " invented to fit it. Nothing here was measured."
)
DOUBT = WindowDoubt(roof_u_mm=0.01, floor_u_mm=0.01, wall_area_u_mm2=0.2, edge_u_mm=0.02)

READINGS = (
    "exhaust opens 104.2 deg",
    "exhaust closes 255.8 deg",
    "transfer-right opens 120 deg",
    "transfer-left opens 120.5 deg",
    "intake opens 76 deg before TDC",
    "exhaust opens 105.5 deg, no gasket",
    "18.24 mm down at 90 deg, depth gauge",
    "squish 0.58 0.61 0.62 mm solder",
    "gasket crushed 0.40 mm",
)


def sample_job(created: str | None = None) -> Job:
    """Return the sample job.

    Parameters
    ----------
    created : str or None, optional
        Date, as the file is to hold it.

    Returns
    -------
    Job

    Raises
    ------
    PortmapError
        If the samples are not installed.

    Examples
    --------
    >>> job = sample_job()
    >>> [port.id for port in job.maps[0].ports], len(job.readings)
    (['transfer-left', 'exhaust', 'transfer-right', 'intake'], 9)
    """
    known = samples()
    ports = [
        {
            "id": each.id,
            "kind": each.kind,
            "control": CONTROLS[each.kind],
            "windows": [window_document(replace(each.window, doubt=DOUBT))],
        }
        for each in known.windows
    ]
    document = {
        "format": "portmap-job",
        "version": VERSION,
        **known.engine,
        "notes": NOTES,
        "maps": [{"stage": "stock", "ports": ports}],
    }
    if created is not None:
        document["created"] = created
    job, _ = with_readings(job_of(document), typed=READINGS, today=created)
    return job
