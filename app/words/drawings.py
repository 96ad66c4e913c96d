"""What the line drawings show, in plain words."""

WORDS = {
    "drawing.offer.measure": "How to read a degree wheel; what squish, crown height and base gasket are",
    "drawing.offer.picture": "How to lift an impression and how to photograph it",
    "drawing.offer.decide": "What squish, crown height and base gasket are",
    "drawing.lift.alt": "Three steps: paper pressed on the bore wall over a port, its edges rubbed"
    " and the base face marked, the paper lifted off and laid flat on the card",
    "drawing.lift": "**Lift an impression.** Clean and dry the bore. Press thin paper flat on the"
    " wall over the port, hold it so that it can't creep, and rub along every edge with a soft"
    " pencil. Mark the base face too: heights count from it. Lift it off and lay it flat on the"
    " printed card. Don't stretch it; one port or one side at a time is easier than all.",
    "drawing.photograph.alt": "A phone straight above the card, all four corners of the card in"
    " view, light from the side",
    "drawing.photograph": "**Photograph it.** From straight above, an arm's length away, zoomed in"
    " rather than close: the lens bends less there. All four corners of the card in view and sharp,"
    " light from the side and even, no flash, no shadow of the phone. The card must lie flat.",
    "drawing.wheel.alt": "A degree wheel with its pointer at 100 and a piston whose crown edge has"
    " just uncovered the roof of a port",
    "drawing.wheel": "**Read a degree wheel.** Find true top with a stop: turn until the piston"
    " touches it, read; turn the other way, read; zero stands halfway. Then turn slowly in the"
    " running direction and read where light first shows between crown edge and port roof. Read"
    " twice: a wheel of 200 mm shows a quarter of a degree at best.",
    "drawing.squish.alt": "A cylinder in section at top dead centre: squish between piston and head,"
    " crown height from case deck to crown edge, base gasket between case and cylinder",
    "drawing.squish": "**Squish** is the gap between piston and squish band at top dead centre: lay"
    " solder across, turn over by hand, measure it at several places. **Crown height** reaches from"
    " the case deck to the crown's edge at top dead centre. The **base gasket** lies between case"
    " and cylinder: a thinner one brings every port and the head down by as much.",
}
