"""Flags of a force curve, in the order of their bits."""

from engine.flags import Flag

FLAGS: tuple[Flag, ...] = (
    Flag("not_taken", "No curve was taken here.", True),
    Flag("too_few_samples", "Fewer than 16 samples: nothing can be fitted.", True),
    Flag("gap", "Samples are missing in the middle of the curve.", True),
    Flag("constant", "The deflection never changes.", True),
    Flag(
        "implausible_units",
        "The drive's range, the rise of the deflection or the modulus is impossible: look for a "
        "slip of units, of the sensitivity or of the spring constant.",
        True,
    ),
    Flag(
        "reversed",
        "The drive or the deflection runs the wrong way round: the drive must grow towards the "
        "sample, the deflection away from it.",
        True,
    ),
    Flag("no_contact", "The largest force is within the noise: the tip never touched.", True),
    Flag("saturated", "The detector was at its end for several samples in a row.", True),
    Flag("jump", "The deflection steps within the curve: slip, jump or lost contact.", True),
    Flag("not_converged", "The fit did not settle.", True),
    Flag("no_baseline", "Fewer than 8 samples before contact: no baseline.", True),
    Flag("shallow", "Too shallow for the contact point to be known well enough.", True),
    Flag("layer_too_thin", "The contact is too wide for the layer's thickness.", True),
    Flag("spike", "A few samples jumped out and back; they were mended."),
    Flag("weak", "The largest force is small against the noise."),
    Flag("noisy_baseline", "Noisier than the other curves of the map."),
    Flag("short_baseline", "Few samples before contact: baseline and contact are less certain."),
    Flag("tilt", "The baseline is tilted; the fit allows for it."),
    Flag("sag", "The baseline is bowed, which the fit does not allow for."),
    Flag("snap_in", "The tip was drawn in before contact; the law knows no adhesion."),
    Flag("adhesion", "The pull-off is not small against the force; the law knows no adhesion."),
    Flag("stiff_contact", "The contact is much stiffer than the cantilever: errors are magnified."),
    Flag(
        "not_quotable", "The contact is far too stiff for the cantilever: do not quote the modulus."
    ),
    Flag("exponent_off", "Force does not grow with the law's exponent: an apparent modulus only."),
    Flag("deep_for_tip", "Deeper than the fibril's or the sphere's radius: the law is strained."),
    Flag(
        "apex_unknown",
        "No apex radius is known to the law, and near the surface it decides the modulus.",
    ),
    Flag("thin_layer", "The layer's thickness matters; the law was corrected for it."),
    Flag("layer_ignored", "The layer's thickness matters, and the law was not corrected for it."),
    Flag(
        "no_retract_baseline", "The way back never leaves the contact: no adhesion could be read."
    ),
    Flag("outlier", "The modulus lies far from the map's others, by a robust rule."),
)
