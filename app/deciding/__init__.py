"""The parts of the page where work is decided on, one file each: each has `show`, given the open job."""
