"""A writer of tiny disc folders, for tests of everybody.

``write_folder(tmp_path / "disc")`` makes a valid folder in well under 0.3 s: a mosaic of a few
dozen nuclei, two bead maps, two height images, five landmarks on a mirrored, turned stage. What it
holds is simple on purpose: parabolic contact without adhesion, half cylinders as fibrils.
"""

import csv
import hashlib
import io
import struct
import zipfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import tifffile
import tomli_w

PIXEL_UM = 0.65
MODULUS_KPA = 200.0
RADIUS_UM = 5.0
SPRING_N_PER_M = 0.8
SENSITIVITY_NM_PER_V = 60.0
STAGE_FROM_DISC = 1.003 * np.array([[0.96, 0.28], [0.28, -0.96]])  # a turn and a mirror
STAGE_OFFSET_UM = np.array([12000.0, 3400.0])


def manifest(**changes: Any) -> dict[str, Any]:
    """The manifest of :func:`write_folder`; a table given here replaces keys of the default one."""
    base: dict[str, Any] = {
        "format": "disc-folder/1",
        "sites": "sites.csv",
        "disc": {"id": "tiny-1", "donor": "sheep-1", "diameter_mm": 0.2},
        "sample": {"poisson_ratio": 0.5},
        "mosaic": {
            "file": "mosaic/mosaic.ome.tif",
            "pixel_size_um": PIXEL_UM,
            "channels": ["nuclei"],
        },
        "frame": {"landmarks": "landmarks.csv"},
        "probes": {
            "bead": {
                "shape": "sphere",
                "radius_um": RADIUS_UM,
                "spring_constant_N_per_m": SPRING_N_PER_M,
                "spring_constant_rel_sd": 0.1,
                "sensitivity_nm_per_V": SENSITIVITY_NM_PER_V,
            },
            "tip": {"shape": "cone", "half_angle_deg": 18.0, "spring_constant_N_per_m": 0.3},
        },
    }
    for key, value in changes.items():
        both = isinstance(value, Mapping) and isinstance(base.get(key), dict)
        base[key] = {**base[key], **value} if both else value
    return base


def without_nones(table: Mapping[str, Any]) -> dict[str, Any]:
    """A copy without keys whose value is None: how a test takes a key out."""
    return {
        key: without_nones(value) if isinstance(value, Mapping) else value
        for key, value in table.items()
        if value is not None
    }


def site(name: str, x_um: float, y_um: float, **changes: Any) -> dict[str, Any]:
    """One row of the table of sites; a bead map at a disc position unless told otherwise."""
    stage = STAGE_FROM_DISC @ [x_um, y_um] + STAGE_OFFSET_UM
    row = {
        "site": name,
        "kind": "bead-map",
        "probe": "bead",
        "x_um": round(float(stage[0]), 3),
        "y_um": round(float(stage[1]), 3),
        "rotation_deg": 30,
        "width_um": 20,
        "height_um": 20,
        "curves": f"curves/{name}.h5",
        "topography": "",
        "note": "",
    }
    return {**row, **changes}


def image_site(name: str, x_um: float, y_um: float, suffix: str, **changes: Any) -> dict[str, Any]:
    """One row of a height image of 1.28 um."""
    image = {
        "kind": "nano-image",
        "probe": "tip",
        "width_um": 1.28,
        "height_um": 1.28,
        "curves": "",
        "topography": f"topography/{name}.{suffix}",
    }
    return site(name, x_um, y_um, **{**image, **changes})


def write_folder(
    path: Path,
    *,
    mosaic: str | np.ndarray | None = "ome",
    sites: Sequence[Mapping[str, Any]] | None = None,
    curves: str | None = "h5",
    heights: str | None = "tif",
    landmarks: Sequence[Sequence[Any]] | None = None,
    changes: Mapping[str, Any] | None = None,
    seed: int = 0,
) -> Path:
    """Write a tiny valid disc folder.

    Parameters
    ----------
    path
        Where; made.
    mosaic
        "ome", "tif", "zarr", an image (written as OME-TIFF), or None for none.
    sites
        Rows (see :func:`site`, :func:`image_site`); default two maps and two images.
    curves, heights
        Suffix of the files written for the default rows; None leaves those rows out.
    landmarks
        Rows of name, stage x and y, disc x and y; default five.
    changes
        Tables for :func:`manifest`.
    seed
        Of everything that is random here.
    """
    rng = np.random.default_rng(seed)
    path = Path(path)
    for folder in ("mosaic", "curves", "topography"):
        (path / folder).mkdir(parents=True, exist_ok=True)
    if mosaic is not None:
        write_mosaic(path, mosaic, rng)
    if sites is None:
        sites = default_sites(curves, heights)
    for row in sites:
        if row["curves"]:
            write_curves(path / row["curves"], rng=rng)
        if row["topography"]:
            pixel_nm = float(row["width_um"]) * 1e3 / 64
            write_height(path / row["topography"], make_height(rng), pixel_nm)
    write_rows(path / "sites.csv", sites)
    write_landmarks(path / "landmarks.csv", landmarks)
    changes = dict(changes or {})
    told = manifest(**changes)
    if "mosaic" not in changes and mosaic == "zarr":
        told["mosaic"]["file"] = "mosaic/mosaic.zarr"
    (path / "disc.toml").write_text(tomli_w.dumps(without_nones(told)), encoding="utf-8")
    return path


def default_sites(curves: str | None = "h5", heights: str | None = "tif") -> list[dict[str, Any]]:
    """Two bead maps and two height images inside the default mosaic."""
    rows = []
    if curves:
        rows += [
            site("b001", 50, 60, curves=f"curves/b001.{curves}"),
            site("b002", 80, 70, rotation_deg="", curves=f"curves/b002.{curves}"),
        ]
    if heights:
        rows += [image_site("n001", 52, 61, heights), image_site("n002", 81, 69, heights)]
    return rows


def write_rows(path: Path, rows: Sequence[Mapping[str, Any]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]) if rows else ["site"])
        writer.writeheader()
        writer.writerows(rows)


def default_landmarks(count: int = 5, seed: int = 1) -> list[list[Any]]:
    """Landmarks round the default mosaic, without error."""
    rng = np.random.default_rng(seed)
    turn = 2 * np.pi * (np.arange(count) + 0.3 * rng.uniform(size=count)) / count
    disc = 65 + 50 * np.column_stack([np.cos(turn), np.sin(turn)])
    stage = disc @ STAGE_FROM_DISC.T + STAGE_OFFSET_UM
    return [
        [f"L{i + 1}", *np.round(s, 4).tolist(), *np.round(d, 4).tolist()]
        for i, (s, d) in enumerate(zip(stage, disc, strict=True))
    ]


def write_landmarks(path: Path, rows: Sequence[Sequence[Any]] | None = None) -> None:
    rows = default_landmarks() if rows is None else rows
    names = ("name", "stage_x_um", "stage_y_um", "disc_x_um", "disc_y_um")
    write_rows(path, [dict(zip(names, row, strict=True)) for row in rows])


def make_mosaic(rng: np.random.Generator, size: int = 200) -> np.ndarray:
    """A disc of tissue with nuclei of about 6.5 um, uint16."""
    y, x = np.mgrid[:size, :size]
    image = 300.0 * ((x - size / 2) ** 2 + (y - size / 2) ** 2 < (0.48 * size) ** 2)
    for _ in range(40):
        r, a = 0.42 * size * np.sqrt(rng.uniform()), rng.uniform(0, 2 * np.pi)
        cx, cy = size / 2 + r * np.cos(a), size / 2 + r * np.sin(a)
        image += 2500 * np.exp(-(((x - cx) ** 2 + (y - cy) ** 2) / (2 * 4.0**2)))
    return np.clip(image + rng.normal(100, 12, image.shape), 0, 65535).astype(np.uint16)


def write_mosaic(path: Path, mosaic: str | np.ndarray, rng: np.random.Generator) -> None:
    image = mosaic if isinstance(mosaic, np.ndarray) else make_mosaic(rng)
    if isinstance(mosaic, str) and mosaic == "zarr":
        write_zarr_mosaic(path / "mosaic/mosaic.zarr", image)
        return
    file = path / "mosaic/mosaic.ome.tif"
    if isinstance(mosaic, str) and mosaic == "tif":
        tifffile.imwrite(file, image, ome=False, compression="zlib")
        return
    axes = "YX" if image.ndim == 2 else "CYX"
    metadata = {
        "axes": axes,
        "PhysicalSizeX": PIXEL_UM,
        "PhysicalSizeXUnit": "µm",
        "PhysicalSizeY": PIXEL_UM,
        "PhysicalSizeYUnit": "µm",
    }
    tifffile.imwrite(file, image, ome=True, tile=(64, 64), compression="zlib", metadata=metadata)


def write_zarr_mosaic(
    path: Path, image: np.ndarray, *, version: str = "0.5", unit: str = "micrometer"
) -> None:
    import zarr

    axes = [
        {"name": "y", "type": "space", "unit": unit},
        {"name": "x", "type": "space", "unit": unit},
    ]
    scale = [PIXEL_UM, PIXEL_UM]
    if image.ndim == 3:
        axes, scale = [{"name": "c", "type": "channel"}, *axes], [1.0, *scale]
    steps = [{"type": "scale", "scale": scale}]
    image_of = {"axes": axes, "datasets": [{"path": "0", "coordinateTransformations": steps}]}
    group = zarr.open_group(str(path), mode="w", zarr_format=3 if version == "0.5" else 2)
    if version == "0.5":
        group.attrs["ome"] = {"version": "0.5", "multiscales": [image_of]}
    else:
        group.attrs["multiscales"] = [{"version": "0.4", **image_of}]
    chunks = (1,) * (image.ndim - 2) + (64, 64)
    array = group.create_array("0", shape=image.shape, chunks=chunks, dtype=image.dtype)
    array[...] = image


def make_curves(
    rng: np.random.Generator, rows: int = 4, cols: int = 4, samples: int = 200
) -> dict[str, np.ndarray]:
    """Approach and retract of a paraboloid on ``MODULUS_KPA``: z and deflection in nm."""
    contact = 2000.0 + rng.uniform(-100, 100, (rows, cols, 1))
    z = np.broadcast_to(np.linspace(0, 3000, samples), (rows, cols, samples)).copy()
    stiff = 4 / 3 * MODULUS_KPA * 1e-6 / (1 - 0.25) * np.sqrt(RADIUS_UM * 1e3)  # nN / nm^1.5
    travel = np.clip(z - contact, 0, None)
    low, high = np.zeros_like(z), travel.copy()
    for _ in range(50):  # deflection d with k d = stiff (travel - d)^1.5, by bisection
        middle = (low + high) / 2
        above = SPRING_N_PER_M * middle > stiff * (travel - middle) ** 1.5
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    deflection = (low + high) / 2
    return {
        "approach_z": z,
        "approach": deflection + rng.normal(0, 0.3, z.shape),
        "retract_z": z[..., ::-1],
        "retract": deflection[..., ::-1] + rng.normal(0, 0.3, z.shape),
    }


def write_curves(path: Path, rng: np.random.Generator | None = None, **given: Any) -> None:
    """Write a map as HDF5 (int16 volts, shared units) or CSV, by the path's suffix."""
    data = {**make_curves(rng or np.random.default_rng(0)), **given}
    if path.suffix == ".csv":
        write_curves_csv(path, data)
        return
    with h5py.File(path, "w") as file:
        for name in ("approach", "retract"):
            z = file.create_dataset(f"{name}/z", data=data[f"{name}_z"] / 1e3)
            z.attrs["unit"] = "um"
            volts = data[name] / SENSITIVITY_NM_PER_V
            stored = np.round(volts / 3e-4).astype(np.int16)
            d = file.create_dataset(f"{name}/deflection", data=stored, compression="gzip")
            d.attrs["unit"], d.attrs["scale"], d.attrs["offset"] = np.bytes_(b"V"), 3e-4, 0.0


def write_curves_csv(path: Path, data: Mapping[str, np.ndarray]) -> None:
    lines = ["row,col,segment,z [nm],deflection [V]"]
    rows, cols, _ = data["approach"].shape
    for row in range(rows):
        for col in range(cols):
            for name in ("approach", "retract"):
                z, d = data[f"{name}_z"][row, col], data[name][row, col] / SENSITIVITY_NM_PER_V
                lines += [f"{row},{col},{name},{a:.4f},{b:.6f}" for a, b in zip(z, d, strict=True)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def make_height(rng: np.random.Generator, size: int = 64, pixel_nm: float = 20.0) -> np.ndarray:
    """Banded half cylinders side by side on a tilt, nanometres, float32."""
    v, u = np.mgrid[:size, :size] * pixel_nm
    off = (u % 160.0) - 80.0
    height = np.sqrt(np.clip(70.0**2 - off**2, 0, None)) + 3 * np.cos(2 * np.pi * v / 67.0)
    return (height + 0.02 * u + rng.normal(0, 0.5, u.shape)).astype(np.float32)


def write_height(path: Path, height: np.ndarray, pixel_nm: float = 20.0) -> None:
    """Write a height image in the format of the path's suffix."""
    if path.suffix == ".npy":
        np.save(path, height)
    elif path.suffix == ".sdf":
        write_sdf(path, height, pixel_nm)
    elif path.suffix == ".x3p":
        write_x3p(path, height, pixel_nm)
    else:
        tifffile.imwrite(path, height, compression="zlib", metadata=None)


def write_sdf(
    path: Path,
    height_nm: np.ndarray,
    pixel_nm: float = 20.0,
    *,
    binary: bool = False,
    kind: int = 7,
    z_scale_m: float = 1e-9,
    version: str | None = None,
    fields: Mapping[str, Any] | None = None,
) -> None:
    """Write ISO 25178-71; ``kind`` is its DataType, values are height / (z_scale_m * 1e9)."""
    rows, cols = height_nm.shape
    types = ("u1", "<u2", "<u4", "<f4", "i1", "<i2", "<i4", "<f8")
    scaled = np.asarray(height_nm, float) / (z_scale_m * 1e9)
    values = scaled if kind in {3, 7} else np.round(scaled)
    told = {
        "NumPoints": cols, "NumProfiles": rows, "Xscale": pixel_nm * 1e-9,
        "Yscale": pixel_nm * 1e-9, "Zscale": z_scale_m, "Zresolution": -1.0,
        "Compression": 0, "DataType": kind, "CheckType": 0, **(fields or {}),
    }  # fmt: skip
    if binary:
        head = struct.pack(
            "<8s10s12s12sHHddddBBB",
            (version or "bISO-1.0").encode(), b"kit", b"010120260000", b"010120260000",
            *told.values(),
        )  # fmt: skip
        path.write_bytes(head + values.astype(types[kind]).tobytes())
        return
    lines = [version or "aISO-1.0", "ManufacID   = kit", "CreateDate  = 010120260000"]
    lines += [f"{name:11s} = {value}" for name, value in told.items()]
    text = "\n".join(lines) + "\n*\n"
    for row in values:
        text += " ".join("BAD" if np.isnan(v) else repr(float(v)) for v in row) + "\n"
    path.write_text(text + "*\n*\n", encoding="ascii")


def write_x3p(
    path: Path,
    height_nm: np.ndarray,
    pixel_nm: float = 20.0,
    *,
    kind: str = "D",
    z_increment_m: float = 1.0,
    z_offset_m: float = 0.0,
    mask: bool = False,
    namespaced: bool = False,
    edit: Mapping[str, str] | None = None,
    data: bytes | None = None,
    checksum: str | None = None,
) -> None:
    """Write ISO 25178-72; ``edit`` replaces text in main.xml before it is summed."""
    rows, cols = height_nm.shape
    height_m = np.asarray(height_nm, float) * 1e-9
    valid = np.isfinite(height_m)
    stored = (np.where(valid, height_m, 0) if mask else height_m) - z_offset_m
    dtype = np.dtype({"I": "<i2", "L": "<i4", "F": "<f4", "D": "<f8"}[kind])
    if dtype.kind == "i":
        stored = np.round(stored / z_increment_m)
    points = stored.astype(dtype).tobytes() if data is None else data
    bits = np.packbits(valid.ravel(), bitorder="little").tobytes()
    p = "p:" if namespaced else ""
    links = f"<{p}PointDataLink>bindata/data.bin</{p}PointDataLink>"
    links += f"<{p}MD5ChecksumPointData>{hashlib.md5(points).hexdigest()}</{p}MD5ChecksumPointData>"
    if mask:
        links += f"<{p}ValidPointsLink>bindata/valid.bin</{p}ValidPointsLink>"
        total = hashlib.md5(bits).hexdigest()
        links += f"<{p}MD5ChecksumValidPoints>{total}</{p}MD5ChecksumValidPoints>"

    def axis(name: str, letter: str, of: str, step: float, start: float = 0.0) -> str:
        inner = f"<{p}AxisType>{letter}</{p}AxisType><{p}DataType>{of}</{p}DataType>"
        inner += f"<{p}Increment>{step!r}</{p}Increment><{p}Offset>{start!r}</{p}Offset>"
        return f"<{p}{name}>{inner}</{p}{name}>"

    text = (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2">'
        f"<{p}Record1><{p}Revision>ISO5436 - 2000</{p}Revision><{p}FeatureType>SUR</{p}FeatureType>"
        f"<{p}Axes>{axis('CX', 'I', 'D', pixel_nm * 1e-9)}{axis('CY', 'I', 'D', pixel_nm * 1e-9)}"
        f"{axis('CZ', 'A', kind, z_increment_m, z_offset_m)}</{p}Axes></{p}Record1>"
        f"<{p}Record3><{p}MatrixDimension><{p}SizeX>{cols}</{p}SizeX><{p}SizeY>{rows}</{p}SizeY>"
        f"<{p}SizeZ>1</{p}SizeZ></{p}MatrixDimension><{p}DataLink>{links}</{p}DataLink></{p}Record3>"
        f"<{p}Record4><{p}ChecksumFile>md5checksum.hex</{p}ChecksumFile></{p}Record4>"
        "</p:ISO5436_2>"
    )
    for old, new in (edit or {}).items():
        assert old in text, old
        text = text.replace(old, new)
    total = checksum or hashlib.md5(text.encode()).hexdigest()
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("main.xml", text)
        archive.writestr("bindata/data.bin", points)
        if mask:
            archive.writestr("bindata/valid.bin", bits)
        archive.writestr("md5checksum.hex", f"{total} *main.xml\n")
    path.write_bytes(buffer.getvalue())
