"""What each figure is, how sure it is and where it comes from."""

WORDS = {
    "care.heads": "Care: eyes and lungs, plating edges, snagged rings, thin walls, overspeed, local rules",
    "figure.assumed": "Assumed, not measured: {what}.",
    "figure.fitted": "Fitted from readings: {what}.",
    "figure.fit": "put the fitted figures into the job, on the page Measure",
    "figure.fit.again": "put the fitted figures into the job again, on the page Measure",
    "figure.explain": "What these figures mean",
    "figure.opens": "**Opens**: crank degrees after top dead centre at which the piston's edge"
    " begins to uncover the port. From the height of its edge, stroke, rod and crown height by the"
    " slider-crank. ± is two standard uncertainties (about 95 %), here from the outline alone; the"
    " page Decide shows the rest.",
    "figure.duration": "**Open for**: degrees from opening to closing. Opening and closing are read"
    " off one edge, so its doubt counts twice.",
    "figure.blowdown": "**Blowdown**: degrees from the exhaust's opening to the first transfer's."
    " The cylinder empties itself in it before fresh charge comes.",
    "figure.roof": "**Roof, floor**: highest and lowest point of the port above the base face, from"
    " the outline.",
    "figure.area": "**Wall area** is laid on the developed wall, **chord area** is what a flat gauge"
    " across the window sees. They differ; every figure says which it is.",
    "figure.timearea": "**Time-area**: opened area summed over the time it is open, at the speed"
    " named: angle-area divided by 6 times the speed. It falls as speed rises.",
    "figure.residual": "**Residual pressure**: what the cylinder has over the case when the first transfer"
    " opens, by the gas model. Above nothing, burned gas blows back into the transfers.",
    "figure.source": "Timing and areas follow from geometry alone. Figures marked *guide* are common"
    " practice and never permission.",
    "figure.spread": "± is two standard uncertainties. Draws at random and first order are two ways"
    " to the same doubt (JCGM 100 and 101); where they disagree, trust the draws.",
    "figure.odds": "**Chance**: how many of some thousand draws at random of all doubts and of how"
    " truly the work is held meet the wish.",
    "figure.squish": "**Squish**: gap between piston and squish band at top dead centre, cold."
    " Measure it with solder at several places.",
    "figure.crown": "**Crown height**: how far the crown's edge stands above the case's deck at top"
    " dead centre.",
    "figure.gasket": "**Base gasket**: between case and cylinder. A thinner one lowers every port"
    " against the crank, opens crown-controlled ports later and takes up squish.",
}
