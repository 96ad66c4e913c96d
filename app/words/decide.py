"""The words of the page where work is decided on."""

WORDS = {
    "decide.nojob": "Open or start a job on the page Cylinder first.",
}
