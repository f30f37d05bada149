"""The demo scenario's numbers: two invented sheep discs.

Nothing here was measured. A front of degeneration crosses each disc. Ahead of it the tissue is
firm, its cells stand in strings and its fibrils are thick and run side by side; behind it the
tissue is soft, its cells lie in clusters and then scattered, and its fibrils are thin, crossed and
uneven. Stiffness falls first, the arrangement of the cells changes next, the network last.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class StageRecipe:
    """How the probe instrument's stage lies against the disc.

    Attributes
    ----------
    rotation_deg
        Turn of the stage against the disc, degrees.
    mirrored
        Whether the stage's y runs against the disc's.
    scale_x, scale_y
        Stage micrometres a disc micrometre along the two axes.
    offset_um
        Stage position of the disc's origin.
    landmark_sd_um
        Standard deviation with which a landmark was set, a coordinate.
    landmarks
        Number of landmarks.
    """

    rotation_deg: float
    mirrored: bool
    scale_x: float
    scale_y: float
    offset_um: tuple[float, float]
    landmark_sd_um: float = 0.6
    landmarks: int = 5


@dataclass(frozen=True)
class ProbeRecipe:
    """One probe.

    Attributes
    ----------
    name, shape
        As in the disc folder.
    radius_nm
        Radius of sphere or paraboloid.
    spring_constant_N_per_m, spring_constant_rel_sd
        Spring constant; relative standard deviation of its calibration.
    sensitivity_nm_per_V
        Deflection sensitivity.
    trigger_nN
        Force at which the approach ends.
    ramp_nm
        Travel of the drive.
    samples
        Samples of approach and of retract.
    white_nm, drift_nm
        Standard deviation of the detector's white noise; and of its 1/f noise over one curve.
    """

    name: str
    shape: str
    radius_nm: float
    spring_constant_N_per_m: float
    spring_constant_rel_sd: float
    sensitivity_nm_per_V: float
    trigger_nN: float
    ramp_nm: float
    samples: int
    white_nm: float
    drift_nm: float


@dataclass(frozen=True)
class FaultRecipe:
    """How often a curve goes wrong, as a share of the curves of a map."""

    no_contact: float = 0.008
    saturated: float = 0.006
    jump: float = 0.006


@dataclass(frozen=True)
class CalibrationRecipe:
    """How a probe was calibrated.

    Attributes
    ----------
    curves, samples, ramp_nm
        Curves on glass, samples of each, travel.
    rate_Hz, record
        Sample rate and samples of the free motion.
    resonance_Hz, quality
        Of the cantilever in liquid.
    white_nm2_per_Hz, drift_nm2
        Noise of the detector: white, and drift / f.
    temperature_K, tilt_deg, beam_factor
        Temperature, tilt, and what an optical lever sees of a rectangular beam.
    """

    curves: int = 9
    samples: int = 400
    ramp_nm: float = 600.0
    rate_Hz: float = 250e3
    record: int = 2**19
    resonance_Hz: float = 21.4e3
    quality: float = 2.6
    white_nm2_per_Hz: float = 4e-9
    drift_nm2: float = 2e-5
    temperature_K: float = 310.15
    tilt_deg: float = 10.0
    beam_factor: float = 0.817


@dataclass(frozen=True)
class ClipRecipe:
    """An endoscope's clip.

    Attributes
    ----------
    frames, side
        Number of frames, pixels a side.
    coarser
        Its pixel over the mosaic's.
    ahead_um
        How far ahead of the disc's centre, away from the front, it was taken.
    step_px, blur_px
        Typical move from frame to frame, and blur where the hand was not still.
    vignette
        Share of the brightness lost at the middle of an edge, twice.
    brightest, photons
        Counts of a bright nucleus, photons to a count.
    """

    frames: int = 36
    side: int = 240
    coarser: float = 1.45
    ahead_um: float = 700.0
    step_px: float = 7.0
    blur_px: float = 2.2
    vignette: float = 0.4
    brightest: float = 190.0
    photons: float = 1.5


@dataclass(frozen=True)
class DiscRecipe:
    """One disc.

    Attributes
    ----------
    id, donor, group, note
        As in the disc folder.
    measured_on
        Date, ISO.
    seed
        Seed of everything random in it.
    diameter_um, margin_um
        Size of the disc, and of the empty rim of the mosaic.
    pixel_um
        Pixel of the mosaic.
    front_deg, front_um, front_width_um
        Direction in which degeneration grows (degrees, from +x towards +y in the picture), how far
        from the centre the front stands along it, and how wide it is.
    stiffness_lead_um, network_lag_um
        How far stiffness runs ahead of the cells, and the network behind them.
    firm_kPa, soft_kPa
        Young's modulus far ahead of and far behind the front.
    map_spacing_um
        Distance between bead maps.
    images
        Number of nanometre images.
    image_px, image_pixel_nm
        Sizes that the images take in turn.
    force_images
        How many of the images carry a grid of curves, too.
    force_side
        Points a side of that grid.
    channels
        Names of the mosaic's channels: ``nuclei``, and of `demo_zarr.stains` those that are drawn.
    deflection
        How curves are stored: ``V`` (16-bit whole numbers with scale) or ``nm`` (32-bit floats).
    image_suffix
        ``.tif`` or ``.npy``.
    stage
        The stage.
    calibrated
        Whether the bead's calibration files lie in the folder.
    filmed
        Whether a clip of an endoscope lies in it.
    """

    id: str
    donor: str
    group: str
    note: str
    measured_on: str
    seed: int
    diameter_um: float
    front_deg: float
    front_um: float
    front_width_um: float
    firm_kPa: float
    soft_kPa: float
    map_spacing_um: float
    images: int
    force_images: int
    deflection: str
    image_suffix: str
    stage: StageRecipe
    margin_um: float = 70.0
    pixel_um: float = 0.72
    stiffness_lead_um: float = 380.0
    network_lag_um: float = 160.0
    image_px: tuple[int, ...] = (320, 360, 400)
    image_pixel_nm: tuple[float, ...] = (7.5, 8.0, 7.0)
    force_side: int = 64
    map_side: int = 8
    map_width_um: float = 35.0
    calibrated: bool = False
    filmed: bool = False
    channels: tuple[str, ...] = ("nuclei",)


BEAD = ProbeRecipe("bead", "sphere", 5200.0, 1.4, 0.06, 47.0, 420.0, 2600.0, 400, 0.16, 0.10)
NEEDLE = ProbeRecipe("needle", "paraboloid", 14.0, 0.42, 0.08, 58.0, 4.5, 220.0, 256, 0.05, 0.03)
FAULTS = FaultRecipe()
CALIBRATION = CalibrationRecipe()
CLIP = ClipRecipe()

POISSON_RATIO = 0.5
BAND_PERIOD_NM = 66.4

NOTE = "Invented for demonstration and teaching: simulated, not measured on any animal."

DISCS: tuple[DiscRecipe, ...] = (
    DiscRecipe(
        id="E4-R",
        donor="ewe-E4",
        group="stifle, right",
        note=NOTE,
        measured_on="2026-02-11",
        seed=40417,
        diameter_um=3000.0,
        front_deg=28.0,
        front_um=40.0,
        front_width_um=310.0,
        firm_kPa=640.0,
        soft_kPa=150.0,
        map_spacing_um=322.0,
        images=12,
        force_images=2,
        deflection="V",
        image_suffix=".tif",
        stage=StageRecipe(-17.0, True, 1.0024, 1.0018, (18240.0, 41310.0)),
        calibrated=True,
        filmed=True,
    ),
    DiscRecipe(
        id="E7-L",
        donor="ewe-E7",
        group="stifle, left",
        note=NOTE,
        measured_on="2026-02-12",
        seed=70923,
        diameter_um=1400.0,
        front_deg=-115.0,
        front_um=260.0,
        front_width_um=240.0,
        firm_kPa=760.0,
        soft_kPa=170.0,
        map_spacing_um=262.0,
        images=4,
        force_images=0,
        deflection="nm",
        image_suffix=".npy",
        stage=StageRecipe(64.0, True, 0.9986, 0.9991, (22705.0, 38850.0)),
        channels=("live", "nuclei", "collagen VI"),
    ),
)
