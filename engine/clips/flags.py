"""What can be said against a clip, or why no pattern is named."""

from engine.flags import Flag

NO_SHARP_FRAME = Flag("clip_no_sharp_frame", "No frame of the clip is sharp enough.")
SCALE_UNKNOWN = Flag(
    "clip_scale_unknown",
    "The clip's pixel size is not given: spots have no size.",
)
TOO_FEW_CELLS = Flag("clip_too_few_cells", "The mosaic of the sharp frames holds too few cells.")
TOO_BLURRED = Flag("clip_too_blurred", "Too many of the mosaic's spots are out of focus.")
MIXED = Flag("clip_mixed", "No pattern holds a clear share of the cells.")
UNSTABLE = Flag("clip_count_unstable", "The number of cells hangs on the threshold.")
COARSE = Flag("clip_coarse_pixels", "Pixels are larger than 1.5 um: few to a nucleus.")
FEW_PLACED = Flag(
    "clip_few_frames_placed", "Less than half of the usable frames could be joined to one picture."
)
FIXED_PATTERN = Flag(
    "clip_fixed_pattern", "A pattern that stays in place in every frame was divided out."
)
CUT = Flag("clip_cut", "The clip is longer than the settings allow; its first frames were used.")
MOSAIC_CUT = Flag("clip_mosaic_cut", "The path is too long for one picture: its middle is shown.")
FLAGS: tuple[Flag, ...] = (
    NO_SHARP_FRAME,
    SCALE_UNKNOWN,
    TOO_FEW_CELLS,
    TOO_BLURRED,
    MIXED,
    UNSTABLE,
    COARSE,
    FEW_PLACED,
    FIXED_PATTERN,
    CUT,
    MOSAIC_CUT,
)
