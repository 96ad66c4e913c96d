"""The parts of the page Picture: card, photo, scale by hand, outlines, ports."""
