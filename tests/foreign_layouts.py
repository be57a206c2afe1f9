"""Files as other programs write them, made of a simulated recording, each with the draft that is expected of `map`.

The column layouts are those of public descriptions named beside each; names of programs and devices are ours. Written
before `map` was: what a layout expects is not what came out of it.

Said of each layout: what a user adds as options, and, where something cannot be seen, the question without them.
"""

from __future__ import annotations

import bz2
import gzip
import lzma
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from imu_shoulder.model import Recording, SensorStream
from imu_shoulder.sources.folder import read_recording
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

WARM_UP = Path(__file__).parents[1] / "recordings" / "clean_warm_up"
START = datetime(2025, 3, 4, 9, 30, 0, 250_000)
EPOCH_S = START.timestamp() - datetime(1970, 1, 1).timestamp()
UNTIL_S = 95.0
DEG = 180.0 / np.pi
WRIST, UPPER, TRUNK = "right_wrist", "right_upper_arm", "sternum"
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Layout:
    """One way to write a recording.

    source: where it is described. write: writes the files into a folder and returns what a user would give to `map`.
    expected: of each placement, keys of its sensor in the draft. options: what a user adds because nothing shows it.
    asks: words of the question that comes without the options; none where nothing is asked. step: the rounding of
    what is written, (m/s^2, rad/s).
    """

    name: str
    source: str
    write: Callable[[Path], list[Path]]
    expected: Mapping[str, Mapping[str, Any]]
    table: Mapping[str, Any] = field(default_factory=dict)
    options: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()
    step: tuple[float, float] = (0.01, 0.002)


LAYOUTS: list[Layout] = []


def layout(source: str, expected: Mapping[str, Mapping[str, Any]], **more: Any) -> Callable[..., Any]:
    def keep(write: Callable[[Path], list[Path]]) -> Callable[[Path], list[Path]]:
        LAYOUTS.append(Layout(write.__name__, source, write, expected, **more))
        return write

    return keep


@cache
def truth() -> Recording:
    """The bundled warm-up until its first set is over: pose, bends, raises, one drill; times from its first sample."""
    recording = read_recording(WARM_UP)
    first_s = min(float(stream.time_s[0]) for stream in recording.streams.values())
    streams = {name: _until(stream, first_s) for name, stream in recording.streams.items()}
    return replace(recording, streams=streams, events=(), file_sha256={})


def _until(stream: SensorStream, first_s: float) -> SensorStream:
    time_s = stream.time_s - first_s
    rows = time_s <= UNTIL_S
    return replace(stream, time_s=time_s[rows], acc_m_s2=stream.acc_m_s2[rows], gyr_rad_s=stream.gyr_rad_s[rows])


def _parts(placement: str) -> tuple[Floats, Floats, Floats]:
    """time_s (N,), acc_m_s2 (N, 3), gyr_rad_s (N, 3) of one sensor."""
    stream = truth().streams[placement]
    return stream.time_s, stream.acc_m_s2, stream.gyr_rad_s


def _later(time_s: Floats, values: Floats, by_s: float, rate_hz: float) -> tuple[Floats, Floats]:
    """The same motion sampled by a clock of its own: from by_s later on, at another rate."""
    own_s = np.arange(time_s[0] + by_s, time_s[-1], 1.0 / rate_hz)
    return own_s, np.column_stack([np.interp(own_s, time_s, column) for column in values.T])


def _field(time_s: Floats, acc: Floats) -> Floats:
    """Something like a magnetometer's numbers."""
    return 30.0 * np.roll(acc, 1, axis=1) / STANDARD_GRAVITY_M_S2 + np.sin(0.1 * time_s)[:, None]


def _lines(*columns: Any, delimiter: str = ",") -> str:
    """Rows of texts and numbers; a column is a list of texts or an array already formatted."""
    return "\n".join(delimiter.join(row) for row in zip(*columns, strict=True)) + "\n"


def _text(values: Floats, decimals: int) -> list[str]:
    return [f"{value:.{decimals}f}" for value in values]


def _whole(values: Floats) -> list[str]:
    return [str(round(float(value))) for value in values]


def _stamps(time_s: Floats, form: str, digits: int = 6) -> list[str]:
    """Wall-clock texts; %f is cut to so many digits, or filled up with zeros."""
    texts = []
    for second in time_s:
        moment = START + timedelta(microseconds=round(float(second) * 1e6))
        micro = f"{moment.microsecond:06d}"
        texts.append(moment.strftime(form.replace("%f", "@")).replace("@", f"{micro:0<{digits}}"[:digits]))
    return texts


def _put(path: Path, text: str, encoding: str = "utf-8") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode(encoding))
    return path


NS = 1_000_000_000


def _ns(time_s: Floats, origin_s: float = EPOCH_S) -> list[str]:
    """Whole nanoseconds, exactly: a float would round them to 256."""
    base = round(origin_s * 1e6) * 1000
    return [str(base + round(float(second) * 1e9)) for second in time_s]


@layout(
    "phone logger: github.com/tszheichoi/awesome-sensor-logger, UNITS.md: time in ns since 1970, seconds_elapsed; x, y,"
    " z in m/s^2 and rad/s; one acceleration without gravity, one with; exported as a zip of CSV files",
    {
        WRIST: {"acc_unit": "m/s^2", "gyr_unit": "rad/s", "file": "right wrist.zip/TotalAcceleration.csv"},
        UPPER: {"acc_unit": "m/s^2", "gyr_unit": "rad/s", "gyr_file": "right upper arm.zip/Gyroscope.csv"},
    },
    table={"time_column": "time", "time_unit": "ns"},
)
def phone_zip(folder: Path) -> list[Path]:
    paths = []
    for name, placement in (("right wrist.zip", WRIST), ("right upper arm.zip", UPPER)):
        time_s, acc, gyr = _parts(placement)
        gyr_s, gyr = _later(time_s, gyr, 0.013, 50.0)
        pull = np.cumsum(acc, axis=0)
        gravity = (pull[50:] - pull[:-50]) / 50.0
        gravity = np.vstack([np.repeat(gravity[:1], 25, axis=0), gravity, np.repeat(gravity[-1:], 25, axis=0)])
        files = {
            "Metadata.csv": "version,device name,recording time\n3,phone,2025-03-04_09-30-00\n",
            "Annotation.csv": "time,seconds_elapsed,text,millisecond_press_duration\n",
            "Accelerometer.csv": _phone(time_s, acc - gravity),
            "Gravity.csv": _phone(time_s, gravity),
            "TotalAcceleration.csv": _phone(time_s, acc),
            "Gyroscope.csv": _phone(gyr_s, gyr),
        }
        with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED) as packed:
            for inner, text in files.items():
                packed.writestr(inner, text)
        paths.append(folder / name)
    return paths


def _phone(time_s: Floats, values: Floats) -> str:
    x, y, z = (_text(column, 6) for column in values.T)
    return "time,seconds_elapsed,z,y,x\n" + _lines(_ns(time_s), _text(time_s, 9), z, y, x)


@layout(
    "gyroscope log for video: docs.gyroflow.xyz/app/technical-details/gcsv-format: lines of key,value; tscale, gscale,"
    " ascale; then t,gx,gy,gz,ax,ay,az in whole numbers",
    {
        WRIST: {
            "acc_unit": "g",
            "acc_scale": 1 / 2048,
            "gyr_unit": "rad/s",
            "gyr_scale": 0.00122173047,
            "acc_columns": ["ax", "ay", "az"],
            "gyr_columns": ["gx", "gy", "gz"],
        }
    },
    table={"time_column": "t", "time_unit": "ms"},
    step=(0.006, 0.002),
)
def scaled_counts(folder: Path) -> list[Path]:
    time_s, acc, gyr = _parts(WRIST)
    head = "IMU LOG\nversion,1.3\nid,own_logger\norientation,XYZ\nnote,right_wrist\ntimestamp,1741080600\n"
    head += "tscale,0.001\ngscale,0.00122173047\nascale,0.00048828125\n"
    columns = [_whole(time_s * 1000)]
    columns += [_whole(column / 0.00122173047) for column in gyr.T]
    columns += [_whole(column / STANDARD_GRAVITY_M_S2 * 2048) for column in acc.T]
    return [_put(folder / "right_wrist.gcsv", head + "t,gx,gy,gz,ax,ay,az\n" + _lines(*columns))]


@layout(
    "watch export of equal steps: heartsome.de/de/android/aequidistant.html: semicolons, one group of columns a sensor"
    " (letter, time in ms from 0, values), cells empty where a sensor gave nothing",
    {
        "left_wrist": {
            "acc_unit": "g",
            "gyr_unit": "deg/s",
            "acc_columns": ["x_A", "y_A", "z_A"],
            "gyr_columns": ["x_R", "y_R", "z_R"],
        }
    },
    table={"delimiter": ";", "time_unit": "ms"},
    options=("--side", "left"),
    step=(0.01, 0.002),
)
def lettered_groups(folder: Path) -> list[Path]:
    time_s, acc, gyr = _parts("left_wrist")
    own_s = np.arange(0.0, time_s[-1], 0.02)
    acc, gyr = (np.column_stack([np.interp(own_s, time_s, c) for c in part.T]) for part in (acc, gyr))
    stamps, count = _whole(own_s * 1000), len(own_s)
    light = [str(value) if k % 10 == 0 else "" for k, value in enumerate(np.full(count, 311))]
    columns: list[list[str]] = [["A"] * count, stamps, *(_text(c, 8) for c in acc.T / STANDARD_GRAVITY_M_S2)]
    columns += [["L"] * count, stamps, light]
    columns += [["R"] * count, stamps, *(_text(c, 6) for c in gyr.T * DEG)]
    header = "s_A;time_A;x_A;y_A;z_A;s_L;time_L;x_L;s_R;time_R;x_R;y_R;z_R\n"
    return [_put(folder / "watch_wrist-4-3-2025.csv", header + _lines(*columns, delimiter=";"))]


@layout(
    "event log of a phone: git.frank-ebner.de/FHWS/SensorReadout, README: no header; nanoseconds;event id;values, rows"
    " of any length; 0 and 3 are the accelerometer in m/s^2 and the gyroscope in rad/s",
    {UPPER: {"acc_unit": "m/s^2", "gyr_unit": "rad/s", "acc_columns": [3, 4, 5], "time_column": 1}},
    table={"delimiter": ";", "time_unit": "ns", "header_rows": 0},
    options=("--placement", "readout.csv=right_upper_arm"),
)
def event_rows(folder: Path) -> list[Path]:
    time_s, acc, gyr = _parts(UPPER)
    gyr_s, gyr = _later(time_s, gyr, 0.005, 50.0)
    rows = [(-1.0, "0;-2;Tue Mar 04 09:30:00 GMT+01:00 2025;somebody;somewhere")]
    rows += _events(time_s, "0", acc) + _events(gyr_s, "3", gyr)
    rows += _events(time_s[::3], "1", acc[::3] / 3.0) + _events(time_s[::5], "12", np.tile(acc[::5], 2)[:, :4] / 20.0)
    rows.sort(key=lambda row: row[0])
    return [_put(folder / "readout.csv", "\n".join(text for _, text in rows) + "\n")]


def _events(time_s: Floats, kind: str, values: Floats) -> list[tuple[float, str]]:
    return [
        (float(t), f"{round(t * NS) + 51272330};{kind};" + ";".join(f"{v:.6f}" for v in row))
        for t, row in zip(time_s, values, strict=True)
    ]


@layout(
    "board on a cable: picoquake.plab.si/acquisition_data: lines with # first, which name the rate and ranges; count,"
    " a_x..a_z in g, g_x..g_z in deg/s; no time",
    {WRIST: {"acc_unit": "g", "gyr_unit": "deg/s", "sample_rate_hz": 50}},
    table={"comment": "#"},
    options=("--placement", "acquisition.csv=right_wrist"),
    step=(0.06, 0.005),
)
def comment_and_count(folder: Path) -> list[Path]:
    time_s, acc, gyr = _parts(WRIST)
    head = "# Board data\n# Time: 2025-03-04 09:30:00.250000, Device: C6E3\n# Num. samples: 4750, Duration: 95.0 s\n"
    head += "# Config: data_rate = 50.0 Hz, filter = 23 Hz, acc_range = 4 g, gyro_range = 250.0 dps\n"
    head += "# Integrity: True, Skipped samples: 0\ncount,a_x,a_y,a_z,g_x,g_y,g_z\n"
    columns = [_whole(np.arange(1.0, len(time_s) + 1))]
    columns += [_text(c, 3) for c in (*(acc.T / STANDARD_GRAVITY_M_S2), *(gyr.T * DEG))]
    return [_put(folder / "acquisition.csv", head + _lines(*columns))]


@layout(
    "sensor board of a small computer: manpages.ubuntu.com, sense_csv(1): ISO 8601 stamps first, then pressure,"
    " temperature, humidity, gyroscope, accelerometer, compass and orientation, header on demand",
    {
        WRIST: {
            "acc_unit": "g",
            "gyr_unit": "rad/s",
            "acc_columns": ["AX", "AY", "AZ"],
            "gyr_columns": ["GX", "GY", "GZ"],
        }
    },
    table={"time_column": "timestamp", "time_unit": "iso"},
    options=("--placement", "experiment.csv.gz=right_wrist"),
)
def iso_board(folder: Path) -> list[Path]:
    time_s, acc, gyr = _parts(WRIST)
    mag = _field(time_s, acc)
    columns = [_stamps(time_s, "%Y-%m-%dT%H:%M:%S.%f")]
    columns += [["1013.21"] * len(time_s), ["24.5"] * len(time_s), ["41.0"] * len(time_s)]
    columns += [_text(c, 6) for c in (*gyr.T, *(acc.T / STANDARD_GRAVITY_M_S2), *mag.T, *(0.1 * gyr.T))]
    header = "timestamp,pressure,temperature,humidity,GX,GY,GZ,AX,AY,AZ,CX,CY,CZ,OX,OY,OZ\n"
    path = folder / "experiment.csv.gz"
    path.write_bytes(gzip.compress((header + _lines(*columns)).encode()))
    return [path]


@layout(
    "board with a memory card: os.mbed.com/users/atommota/code/DataLogger: no header; seconds, three accelerations in"
    " g, three turning rates in rad/s",
    {
        WRIST: {"acc_unit": "g", "gyr_unit": "rad/s", "acc_columns": [2, 3, 4], "gyr_columns": [5, 6, 7]},
        UPPER: {"acc_unit": "g", "gyr_unit": "rad/s"},
    },
    table={"header_rows": 0, "time_column": 1, "time_unit": "s", "delimiter": "\t"},
)
def no_header(folder: Path) -> list[Path]:
    paths = []
    for name, placement in (("R_WRIST.TXT", WRIST), ("R_UPPERARM.TXT", UPPER)):
        time_s, acc, gyr = _parts(placement)
        columns = [_text(time_s, 4), *(_text(c, 4) for c in (*(acc.T / STANDARD_GRAVITY_M_S2), *gyr.T))]
        paths.append(_put(folder / name, _lines(*columns, delimiter="\t").replace("\n", "\r\n")))
    return paths


@layout(
    "phone recorder: github.com/AlbertoCasasOrtiz/Motion-Recorded-Android: eighteen columns, Accelerometer_x (m/s^2),"
    " Gravity_x, Gyros_x (rad/s), Lin_accel_x, rotation vector; a time sequence without a time",
    {
        WRIST: {
            "acc_unit": "m/s^2",
            "gyr_unit": "rad/s",
            "sample_rate_hz": 50,
            "acc_columns": ["Accelerometer_x", "Accelerometer_y", "Accelerometer_z"],
            "gyr_columns": ["Gyros_x", "Gyros_y", "Gyros_z"],
        }
    },
    options=("--rate", "50", "--placement", "07.csv=right_wrist"),
    asks=("rate", "--rate"),
    step=(0.2, 0.02),
)
def no_time(folder: Path) -> list[Path]:
    time_s, acc, gyr = _parts(WRIST)
    linear = acc * 0.03
    groups = {
        "Accelerometer": acc,
        "Gravity": acc - linear,
        "Gyros": gyr,
        "Lin_accel": linear,
        "Game_rot_vector": acc / 20.0,
        "Magnetic": _field(time_s, acc),
    }
    header = ",".join(f"{name}_{axis}" for name in groups for axis in "xyz") + "\n"
    return [_put(folder / "07.csv", header + _lines(*(_text(c, 5) for part in groups.values() for c in part.T)))]


@layout(
    "phones and watches of an open data set: archive.ics.uci.edu, Heterogeneity Activity Recognition: one file for the"
    " accelerometers of all devices, one for the gyroscopes: Index, Arrival_Time (ms), Creation_Time (ns), x, y, z,"
    " User, Model, Device, gt",
    {
        WRIST: {"acc_unit": "m/s^2", "gyr_unit": "rad/s", "rows": {"Device": "unit_2"}},
        UPPER: {"acc_unit": "m/s^2", "gyr_unit": "rad/s", "rows": {"Device": "unit_1"}},
    },
    options=("--placement", "unit_2=right_wrist", "--placement", "unit_1=right_upper_arm"),
    asks=("unit_1", "unit_2", "--placement"),
)
def devices_in_rows(folder: Path) -> list[Path]:
    parts: dict[str, list[tuple[float, str]]] = {"accelerometer": [], "gyroscope": []}
    for device, placement in (("unit_1", UPPER), ("unit_2", WRIST)):
        time_s, acc, gyr = _parts(placement)
        gyr_s, gyr = _later(time_s, gyr, 0.004, 50.0)
        for name, own_s, values in (("accelerometer", time_s, acc), ("gyroscope", gyr_s, gyr)):
            arrival = np.floor((own_s + EPOCH_S) * 1000 + 5 * np.abs(np.sin(37 * own_s)))
            created = _ns(own_s, 27920.678)
            parts[name] += [
                (t, f"{k},{a:.0f},{c},{x:.7f},{y:.7f},{z:.7f},a,model,{device},stand")
                for k, (t, a, c, (x, y, z)) in enumerate(zip(own_s, arrival, created, values, strict=True))
            ]
    header = "Index,Arrival_Time,Creation_Time,x,y,z,User,Model,Device,gt\n"
    paths = []
    for name, rows in parts.items():
        rows.sort(key=lambda row: row[0])
        paths.append(_put(folder / f"Units_{name}.csv", header + "\n".join(text for _, text in rows) + "\n"))
    return paths


@layout(
    "watch of an open data set: WISDM smartphone and smartwatch data, wisdm-dataset-description: no header, lines of"
    " subject, activity, time stamp (ns), x, y, z that end in a semicolon; one file each for either kind",
    {
        "left_wrist": {
            "acc_unit": "m/s^2",
            "gyr_unit": "rad/s",
            "acc_columns": [4, 5, 6],
            "time_column": 3,
        }
    },
    table={"header_rows": 0, "time_unit": "ns", "line_end": ";"},
    options=("--side", "left"),
    asks=("left or right", "--side"),
)
def ends_in_semicolons(folder: Path) -> list[Path]:
    time_s, acc, gyr = _parts("left_wrist")
    gyr_s, gyr = _later(time_s, gyr, 0.009, 50.0)
    paths = []
    for name, own_s, values in (("accel", time_s, acc), ("gyro", gyr_s, gyr)):
        columns = [["1600"] * len(own_s), ["A"] * len(own_s), _ns(own_s, 252207.666), *(_text(c, 6) for c in values.T)]
        text = _lines(*columns).replace("\n", ";\n")
        paths.append(_put(folder / f"data_1600_{name}_wrist.txt", text))
    return paths


@layout(
    "sensor files after a public convention: mhealth-specification.gitbook.io, sensor data: gzipped CSV, first column"
    " HEADER_TIME_STAMP in local time, values named like X_IN_G; one file a sensor and kind",
    {
        WRIST: {
            "acc_unit": "g",
            "gyr_unit": "deg/s",
            "gyr_columns": ["X_IN_DEG_PER_S", "Y_IN_DEG_PER_S", "Z_IN_DEG_PER_S"],
        },
        UPPER: {"acc_unit": "g", "gyr_unit": "deg/s", "acc_columns": ["X_IN_G", "Y_IN_G", "Z_IN_G"]},
    },
    table={"time_column": "HEADER_TIME_STAMP", "time_unit": "iso"},
)
def stamped_gz(folder: Path) -> list[Path]:
    paths = []
    for body, placement in (("RightWrist", WRIST), ("RightUpperArm", UPPER)):
        time_s, acc, gyr = _parts(placement)
        gyr_s, gyr = _later(time_s, gyr, 0.007, 50.0)
        kinds = (
            ("AccelerometerCalibrated", "X_IN_G,Y_IN_G,Z_IN_G", time_s, acc / STANDARD_GRAVITY_M_S2),
            ("GyroscopeCalibrated", "X_IN_DEG_PER_S,Y_IN_DEG_PER_S,Z_IN_DEG_PER_S", gyr_s, gyr * DEG),
        )
        for kind, names, own_s, values in kinds:
            text = f"HEADER_TIME_STAMP,{names}\n"
            text += _lines(_stamps(own_s, "%Y-%m-%d %H:%M:%S.%f", 3), *(_text(c, 5) for c in values.T))
            path = folder / f"{body}-{kind}-NA.2025-03-04-09-30-00-250-P0100.sensor.csv.gz"
            path.write_bytes(gzip.compress(text.encode()))
            paths.append(path)
    return paths


@layout(
    "activity monitor: rdrr.io, qutang/mhealth-visualizer-r, ActigraphFormat.R, and SMAC readers: ten lines about the"
    " device, then Timestamp, Accelerometer X..Z in g, Temperature, Gyroscope X..Z in deg/s, Magnetometer X..Z",
    {
        WRIST: {
            "acc_unit": "g",
            "gyr_unit": "deg/s",
            "sample_rate_hz": 50,
            "acc_columns": ["Accelerometer X", "Accelerometer Y", "Accelerometer Z"],
            "gyr_columns": ["Gyroscope X", "Gyroscope Y", "Gyroscope Z"],
        },
    },
    table={"time_column": "Timestamp", "time_unit": "iso"},
    options=("--placement", "T1 (2025-03-04)-IMU.csv.bz2=right_wrist"),
)
def ten_lines(folder: Path) -> list[Path]:
    time_s, acc, gyr = _parts(WRIST)
    head = "------------ Data File Created By Monitor date format M/d/yyyy at 50 Hz  Filter Normal -----------\n"
    head += "Serial Number: T1\nStart Time 09:30:00\nStart Date 3/4/2025\nEpoch Period (hh:mm:ss) 00:00:00\n"
    head += "Download Time 10:02:11\nDownload Date 3/4/2025\nCurrent Memory Address: 0\n"
    head += "Current Battery Voltage: 4.07     Mode = 12\n--------------------------------------------------\n"
    columns = [_stamps(time_s, "%Y-%m-%dT%H:%M:%S.%f", 7), *(_text(c, 6) for c in acc.T / STANDARD_GRAVITY_M_S2)]
    columns += [["31.25"] * len(time_s), *(_text(c, 6) for c in (*(gyr.T * DEG), *_field(time_s, acc).T))]
    names = ["Timestamp", *(f"Accelerometer {axis}" for axis in "XYZ"), "Temperature"]
    names += [f"{what} {axis}" for what in ("Gyroscope", "Magnetometer") for axis in "XYZ"]
    path = folder / "T1 (2025-03-04)-IMU.csv.bz2"
    path.write_bytes(bz2.compress((head + ",".join(names) + "\n" + _lines(*columns)).encode()))
    return [path]


@layout(
    "motion lab with wireless trackers: OpenSim, testIMUDataReader (opensim-core), and sample data of gait pages: one"
    " text file a sensor, lines with // first, one names the update rate; tabs; PacketCounter, an empty SampleTimeFine,"
    " Acc in m/s^2, Gyr in rad/s, Mag, Mat",
    {
        WRIST: {"acc_unit": "m/s^2", "gyr_unit": "rad/s", "sample_rate_hz": 50, "time_column": "PacketCounter"},
        UPPER: {"acc_unit": "m/s^2", "gyr_unit": "rad/s", "sample_rate_hz": 50},
        TRUNK: {"acc_unit": "m/s^2", "gyr_unit": "rad/s", "sample_rate_hz": 50},
    },
    table={"delimiter": "\t", "comment": "//", "tick_rate_hz": 50},
    options=(
        *("--placement", "trial_001-000_00B1.txt=right_wrist", "--placement", "trial_001-000_00B2.txt=right_upper_arm"),
        *("--placement", "trial_001-000_00B3.txt=sternum"),
    ),
    step=(0.06, 0.005),
)
def packets_of_a_lab(folder: Path) -> list[Path]:
    paths = []
    for serial, placement in (("00B1", WRIST), ("00B2", UPPER), ("00B3", TRUNK)):
        time_s, acc, gyr = _parts(placement)
        # A packet that was lost on the air is missing, and the counter shows it.
        kept = np.delete(np.arange(len(time_s)), [700, 701, 1500])
        head = "// Start Time: Unknown\n// Update Rate: 50.0Hz\n// Filter Profile: human (46.1)\n"
        head += "// Firmware Version: 4.0.2\n"
        names = [
            "PacketCounter",
            "SampleTimeFine",
            *(f"{what}_{axis}" for what in ("Acc", "Gyr", "Mag") for axis in "XYZ"),
        ]
        names += [f"Mat[{row}][{column}]" for column in (1, 2, 3) for row in (1, 2, 3)]
        columns = [[f"{3583 + k:05d}" for k in kept], [""] * len(kept)]
        columns += [_text(c[kept], 6) for c in (*acc.T, *gyr.T, *_field(time_s, acc).T)]
        columns += [["0.577350"] * len(kept)] * 9
        text = head + "\t".join(names) + "\n" + _lines(*columns, delimiter="\t")
        paths.append(_put(folder / f"trial_001-000_{serial}.txt", text))
    return paths


@layout(
    "ours, after two open data sets that could not be read: one table of all sensors, the limb named in a line above"
    " the header, names that repeat, units in a line of their own, decimal comma, UTF-16",
    {
        WRIST: {"acc_unit": "g", "gyr_unit": "deg/s", "acc_columns": [2, 3, 4], "gyr_columns": [5, 6, 7]},
        UPPER: {"acc_unit": "g", "gyr_unit": "deg/s", "acc_columns": [9, 10, 11], "gyr_columns": [12, 13, 14]},
        TRUNK: {"acc_unit": "g", "gyr_unit": "deg/s", "acc_columns": [16, 17, 18], "time_column": 15},
    },
    table={"delimiter": ";", "decimal": ",", "encoding": "utf-16", "time_unit": "s"},
)
def names_repeat(folder: Path) -> list[Path]:
    placements = (WRIST, UPPER, TRUNK)
    rows = min(len(truth().streams[name].time_s) for name in placements)
    columns: list[list[str]] = []
    for place, placement in enumerate(placements):
        time_s, acc, gyr = _parts(placement)
        # The last sensor was switched off earlier: its cells are empty from there on.
        last = rows - (200 if place == 2 else 0)
        for values, decimals in ((time_s, 4), *((c, 5) for c in (*(acc.T / STANDARD_GRAVITY_M_S2), *(gyr.T * DEG)))):
            texts = [text.replace(".", ",") for text in _text(values[:rows], decimals)]
            columns.append([text if k < last else "" for k, text in enumerate(texts)])
    head = ";".join(f"{name.replace('_', ' ')};;;;;;" for name in placements) + "\n"
    head += ";".join(["Time;Acc X;Acc Y;Acc Z;Gyro X;Gyro Y;Gyro Z"] * 3) + "\n"
    head += ";".join(["[s];[g];[g];[g];[deg/s];[deg/s];[deg/s]"] * 3) + "\n"
    return [_put(folder / "all sensors.txt", head + _lines(*columns, delimiter=";"), "utf-16")]


@layout(
    "open logger: github.com/sparkfun/OpenLog_Artemis: rtcDate,rtcTime,aX,aY,aZ in milli g,gX,gY,gZ in deg/s,mX,mY,mZ,"
    " imu_degC,output_Hz, a comma at the end; the header comes again where the log was opened anew",
    {
        "left_upper_arm": {
            "acc_unit": "g",
            "acc_scale": 0.001,
            "gyr_unit": "deg/s",
            "acc_columns": ["aX", "aY", "aZ"],
            "time_column": "rtcTime",
        }
    },
    table={"time_unit": "clock"},
    options=("--placement", "dataLog00042.TXT.xz=left_upper_arm"),
    step=(0.06, 0.003),
)
def clock_time(folder: Path) -> list[Path]:
    time_s, acc, gyr = _parts("left_upper_arm")
    header = "rtcDate,rtcTime,aX,aY,aZ,gX,gY,gZ,mX,mY,mZ,imu_degC,output_Hz,\n"
    columns = [_stamps(time_s, "%m/%d/%Y"), _stamps(time_s, "%H:%M:%S.%f", 2)]
    columns += [_text(c, 2) for c in (*(acc.T / STANDARD_GRAVITY_M_S2 * 1000), *(gyr.T * DEG), *_field(time_s, acc).T)]
    columns += [["27.40"] * len(time_s), ["50.003"] * len(time_s), [""] * len(time_s)]
    lines = _lines(*columns).splitlines(keepends=True)
    text = header + "".join(lines[:2000]) + "\n" + header + "".join(lines[2000:])
    path = folder / "dataLog00042.TXT.xz"
    path.write_bytes(lzma.compress(text.encode()))
    return [path]


@layout(
    "physiotherapy data set: archive.ics.uci.edu, data set 730, its form from memory: folders u1, u2 .. of one"
    " file test.txt each, semicolons, time index from 1, acc, gyr, mag; 25 Hz is said in the paper only",
    {
        WRIST: {"acc_unit": "m/s^2", "gyr_unit": "rad/s", "sample_rate_hz": 50, "file": "u1/test.txt"},
        UPPER: {"acc_unit": "m/s^2", "gyr_unit": "rad/s", "sample_rate_hz": 50, "file": "u2/test.txt"},
    },
    table={"delimiter": ";"},
    options=("--rate", "50", "--placement", "u1/test.txt=right_wrist", "--placement", "u2/test.txt=right_upper_arm"),
    asks=("rate", "--rate"),
    step=(0.2, 0.02),
)
def one_name(folder: Path) -> list[Path]:
    paths = []
    for unit, placement in (("u1", WRIST), ("u2", UPPER)):
        time_s, acc, gyr = _parts(placement)
        columns = [_whole(np.arange(1.0, len(time_s) + 1))]
        columns += [_text(c, 5) for c in (*acc.T, *gyr.T, *_field(time_s, acc).T / 60.0)]
        header = "time index;" + ";".join(f"{what}_{axis}" for what in ("acc", "gyr", "mag") for axis in "xyz") + "\n"
        paths.append(_put(folder / unit / "test.txt", header + _lines(*columns, delimiter=";")))
    return paths
