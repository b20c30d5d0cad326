"""One invented trace written as loggers write it reads the same; a random way of writing reads back.

What is checked against is the trace that was written, and for the units the definitions of the SI
brochure and of the conventional millimetre of mercury (133.322387415 Pa), typed in here.
"""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from fake_run import fake_run
from hypothesis import given, settings
from hypothesis import strategies as st

from exhaustsim.plant.pressurelog import VoltLaw, load_log
from exhaustsim.plant.trace import GOOD

PASCAL = {"Pa": 1.0, "hPa": 100.0, "mbar": 100.0, "Torr": 101325.0 / 760.0, "mTorr": 101.325 / 760.0, "µHg": 0.133322387415, "ubar": 0.1, "mPa": 1e-3}
SECONDS = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 6.0, 8.0, 11.0])
MBAR = np.array([1.25, 0.811, 0.537, 0.3641, 0.2522, 0.1275, 0.04871, 0.02213, 0.01071, 0.006412])  # invented
START = datetime.datetime(2023, 8, 14, 23, 59, 55)


def stamps(form: str) -> list[str]:
    return [(START + datetime.timedelta(seconds=float(s))).strftime(form) for s in SECONDS]


def lines(sep: str, head: str, times, values, end: str = "\n") -> str:
    return end.join([head, *(f"{t}{sep}{v}" for t, v in zip(times, values, strict=True))]) + end


PLAIN_T, PLAIN_P = [f"{s:g}" for s in SECONDS], [f"{p:.4g}" for p in MBAR]
COMMA_T, COMMA_P = [t.replace(".", ",") for t in PLAIN_T], [p.replace(".", ",") for p in PLAIN_P]
MILLI_P = [f"{p * 1e3:.4g}" for p in MBAR]
PLAIN = lines(",", "t_s,P [mbar]", PLAIN_T, PLAIN_P)

WAYS = {
    "commas": PLAIN,
    "semicolons, decimal commas": lines(";", "t_s;P [mbar]", COMMA_T, COMMA_P),
    "tabs": lines("\t", "Time (s)\tP (mbar)", PLAIN_T, PLAIN_P),
    "blanks, decimal commas": lines("   ", "Time (s)   P (mbar)", COMMA_T, COMMA_P),
    "commas and tabs": lines(",\t", "Time (s),\tP (mbar)", PLAIN_T, PLAIN_P),
    "carriage returns alone": PLAIN.replace("\n", "\r"),
    "two characters at line ends": PLAIN.replace("\n", "\r\n"),
    "UTF-8 with mark": PLAIN.encode("utf-8-sig"),
    "UTF-16 with mark": PLAIN.encode("utf-16"),
    "UTF-16 without mark, other way round": PLAIN.encode("utf-16-be"),
    "Latin-1": ("# Öldampf, 20 °C\n" + PLAIN).encode("latin-1"),
    "quoted": lines(",", '"t_s","P [mbar]"', [f'"{t}"' for t in PLAIN_T], [f'"{p}"' for p in PLAIN_P]),
    "trailing separators": PLAIN.replace("\n", ",\n"),
    "heading repeated": PLAIN + lines(",", "t_s,P [mbar]", ["12"], ["0.005"]),
    "heading as a remark": "# t_s, P [mbar]\n" + PLAIN.partition("\n")[2],
    "blank lines and remarks": PLAIN.replace("\n2,", "\n\n# RF on\n\n2,"),
    "row of units": lines(",", "t,P\ns,mbar", PLAIN_T, PLAIN_P),
    "column of units": lines(",", "t_s,pressure_raw,pressure_unit", PLAIN_T, [f"{p},mbar" for p in PLAIN_P]),
    "unit in a sentence": "All pressures in mbar, line F2\n" + lines(",", "t_s,P", PLAIN_T, PLAIN_P),
    "unit behind the numbers": lines(",", "t_s,P", PLAIN_T, [f"{p} mbar" for p in PLAIN_P]),
    "factor in the unit": lines(",", "t_s,P [e-3 mbar]", PLAIN_T, MILLI_P),
    "factor as a power of ten": lines(",", "t_s,P (10^-3 mbar)", PLAIN_T, MILLI_P),
    "misspelt": lines(",", "Elasped [s],Presure [mbar]", PLAIN_T, PLAIN_P),
    "hundredths of minutes": lines(",", "t_min,P [mbar]", [f"{s / 60.0:.8f}" for s in SECONDS], PLAIN_P),
    "thousandths of seconds": lines(",", "time [ms],P [mbar]", [f"{1e3 * s:.0f}" for s in SECONDS], PLAIN_P),
    "seconds since 1970": lines(",", "timestamp,P [mbar]", [f"{1692057595 + s:.1f}" for s in SECONDS], PLAIN_P),
    "ISO": lines(",", "time_iso,P [mbar]", stamps("%Y-%m-%dT%H:%M:%S.%f"), PLAIN_P),
    "ISO with zone": lines(",", "time_iso,P [mbar]", stamps("%Y-%m-%dT%H:%M:%S.%f+02:00"), PLAIN_P),
    "month in letters": lines(",", "Time,P [mbar]", stamps("%d-%b-%Y %H:%M:%S.%f"), PLAIN_P),
    "day first, two columns": lines(";", "Date;Time;P [mbar]", stamps("%d/%m/%Y;%H:%M:%S.%f"), PLAIN_P),
    "twelve hours": lines("\t", "Time\tP [mbar]", stamps("%m/%d/%Y %I:%M:%S.%f %p"), PLAIN_P),
    "date and time among blanks": lines(" ", "Date Time P(mbar)", stamps("%d/%m/%Y %H:%M:%S.%f"), PLAIN_P),
    "time of day past midnight": lines(",", "Time,P [mbar]", stamps("%H:%M:%S.%f"), PLAIN_P),
    "newest first": "t_s,P [mbar]\n" + "".join(f"{t},{p}\n" for t, p in zip(PLAIN_T[::-1], PLAIN_P[::-1], strict=True)),
}


@pytest.fixture
def written(tmp_path):
    def write(text, name="log.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


@pytest.mark.parametrize("way", WAYS)
def test_one_trace_reads_the_same_however_written(written, way):
    log = load_log(written(WAYS[way]))
    trace = log.trace()
    n = len(SECONDS)
    # A power of ten in the unit and a clock in minutes cost round-off; nothing else may be lost.
    np.testing.assert_allclose(trace.time[:n], SECONDS, rtol=0, atol=1e-6)
    np.testing.assert_allclose(trace.reading[:n], [float(p) * 100.0 for p in PLAIN_P], rtol=1e-14)
    assert (trace.mark == GOOD).all()
    assert all(sentence.endswith(".") for sentence in log.assumed + log.marked)


def test_no_heading_wants_units_and_then_reads(written):
    path = written(PLAIN.partition("\n")[2])
    np.testing.assert_allclose(load_log(path, unit="mbar", time_unit="s").trace().reading, 100.0 * MBAR, rtol=1e-14)
    np.testing.assert_allclose(load_log(path, columns={2: "mbar"}, time_column=1, time_unit="s").trace().reading, 100.0 * MBAR, rtol=1e-14)


def test_original_column_is_kept(written):
    trace = load_log(written(PLAIN)).trace()
    assert trace.unit == "mbar" and trace.original.tolist() == [float(p) for p in PLAIN_P]
    log = load_log(written(PLAIN.replace("0.3641", "Off")))
    assert log.trace().original[3] == "Off" and log.table["P [mbar]"].tolist()[3] == "Off"


def test_several_gauges_and_gases(written):
    path = written("t_s,IG1 [mbar],IG2 (Torr),p_CO2 [Pa],H2 [Pa],anode_c\n" + "".join(f"{k},{1 + k},2,3,{4 + k},500\n" for k in range(5)))
    log = load_log(path)
    assert [t.name for t in log.traces] == ["IG1", "IG2", "p_CO2", "H2"]
    assert [t.gas for t in log.traces] == [None, None, "CO2", "H2"]
    np.testing.assert_allclose(log.trace("ig1").reading, 100.0 * np.arange(1, 6))
    with pytest.raises(ValueError, match='"IG1", "IG2", "p_CO2", "H2"; name one'):
        log.trace()


def test_volts_with_a_law(written):
    path = written("t_s,gauge [V]\n0,5.0\n1,4.0\n2,9.9\n")
    # 10^(2 V - 11) mbar: 5 V is 0.1 mbar, 4 V 0.001 mbar.
    trace = load_log(path, volts=VoltLaw(2.0, -11.0, "mbar", 0.5, 9.5)).trace()
    np.testing.assert_allclose(trace.reading[:2], [10.0, 0.1], rtol=1e-12)
    assert trace.mark.tolist() == [0, 0, 4] and trace.unit == "V"
    with pytest.raises(ValueError, match="volts need the law"):
        load_log(path)


# ---- the logs of the trade ------------------------------------------------------------------


MACHINE = (
    "time_iso,machine_id,rotation_no,head_no,position,valve_type,lot_id,card_no,line_id,line_pressure_pa,gauge_type,gauge_cal_gas,"
    "heater_v,heater_a,rf_on,rf_setting,rf_seconds,oven_air_c,index_s,stop_s,spark_result,leaker_cut_off,action,operator_note\n"
)


def test_machine_log_gives_one_trace_for_each_line(written):
    rows = [
        f"2023-08-04T06:{k:02d}:00,RX16,1,{head},{head},DT-1,L1,C7,{line},{p * (1 + k):g},thermal_conductivity,N2,6.3,0.3,0,,,400,40,0,,,{'index' if head == 1 else ''},"
        for k in range(6) for head, line, p in ((1, "G", 30.0), (2, "F2", 1.5), (3, "F2", 1.5))
    ]  # fmt: skip
    log = load_log(written(MACHINE + "\n".join(rows) + "\n"))
    assert [t.name for t in log.traces] == ["line_pressure G", "line_pressure F2"]
    fine = log.trace("line_pressure F2")
    # Heads 2 and 3 sit on one line: its pressure is one reading an index.
    assert fine.time.tolist() == [60.0 * k for k in range(6)] and fine.reading.tolist() == [1.5 * (1 + k) for k in range(6)]
    assert (fine.gauge, fine.calibration_gas, fine.place) == ("thermal_conductivity", "N2", "line")
    assert len(log.table["head_no"]) == 18 and log.numbers("index_s").tolist() == [40.0] * 18


def test_head_trace_marks_by_status_and_range(written):
    head = "t_s,machine_id,head_no,position,port_open,pressure_raw,pressure_unit,gauge_range,gauge_status,gauge_type,gauge_cal_gas,event,bulb_wall_c,anode_c,cathode_c\n"
    rows = [
        "0.0,RX16,7,1,1,100,torr,2,over,thermal_conductivity,N2,,20,20,20", "0.2,RX16,7,1,1,3.0,torr,2,ok,thermal_conductivity,N2,,20,20,20",
        "0.4,RX16,7,1,1,2.0,torr,2,range_change,thermal_conductivity,N2,,20,20,20", "0.6,RX16,7,1,1,1.9,torr,1,ok,thermal_conductivity,N2,,20,20,20",
        "0.8,RX16,7,2,1,1.5,torr,1,ok,thermal_conductivity,N2,RF on,20,20,20", "1.0,RX16,7,2,1,0.001,torr,1,under,thermal_conductivity,N2,,20,20,20",
    ]  # fmt: skip
    log = load_log(written(head + "\n".join(rows) + "\n"))
    trace = log.trace()
    assert trace.mark.tolist() == [2, 0, 3, 3, 0, 1] and trace.gauge == "thermal_conductivity"
    texts = {(e.time, e.text) for e in log.events}
    assert {(0.8, "RF on"), (0.8, "position 2"), (0.0, "position 1")} <= texts


def test_rise_tests_begin_anew_for_each_test(written):
    head = "test_id,valve_id,lot_id,isolated_volume_cm3,volume_sd_cm3,t_s,pressure_raw,pressure_unit,gauge_type,gauge_cal_gas,temperature_c,surround_gas,note\n"
    rows = [f"{test},V{test},L1,15,0.5,{t},{0.1 * test * (1 + t)},Pa,capacitance,N2,21,air," for test in (1, 2) for t in range(6)]
    log = load_log(written(head + "\n".join(rows) + "\n"))
    assert len(log.traces) == 2
    for k, trace in enumerate(log.traces, start=1):
        assert trace.time.tolist() == list(range(6))
        np.testing.assert_allclose(trace.reading, 0.1 * k * (1 + np.arange(6.0)))
    assert not log.marked


def test_log_of_the_simulator_loads_as_written(tmp_path):
    run = fake_run()
    run.to_log(tmp_path / "run.csv")
    log = load_log(tmp_path / "run.csv")
    names = [t.name for t in log.traces]
    assert len(names) == 20 and names[:3] == ["bulb_pressure", "line_pressure", "bulb_H2"]
    for name, true in (("bulb_pressure", run.total_bulb_pressure), ("line_pressure", run.total_line_pressure), ("bulb_CO2", run.bulb_pressure[:, 8])):
        trace = log.trace(name)
        # The log is written with six figures, its times with six decimals.
        here = np.isfinite(true)
        np.testing.assert_allclose(trace.reading[here], true[here], rtol=1e-5)
        np.testing.assert_allclose(trace.time, run.time, atol=1e-6)
        assert (trace.mark[here] == GOOD).all() and (trace.mark[~here] == 4).all()
    assert log.trace("bulb_CO2").gas == "CO2" and log.trace("line_pressure").place == "line"
    assert any(e.text == "position 2" for e in log.events)


# Long logs are cut and their clocks read in one go, by other code than short ones.
@pytest.mark.parametrize("form", ["%d-%b-%Y %H:%M:%S", "%d/%m/%Y %H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S", "%d/%m/%Y %I:%M:%S %p", "%Y/%m/%d %H:%M:%S"])
@pytest.mark.parametrize("sep", [",", "  "])
def test_long_logs_read_as_short_ones(written, form, sep):
    rng = np.random.default_rng(4)
    seconds = np.cumsum(rng.integers(1, 9, 12000)).astype(float)
    seconds -= seconds[0]
    start = datetime.datetime(2023, 8, 30, 22, 0, 0)
    times = [(start + datetime.timedelta(seconds=float(s))).strftime(form) for s in seconds]
    values = [f"{p:.5e}" for p in np.exp(rng.normal(0.0, 0.03, 12000)) / (1.0 + seconds / 100.0)]
    values[6000:6003] = ["Off", "Off", "OL"]
    text = lines(sep, f"Time{sep}P[mbar]", times, values)
    at = text.index(times[9000])
    log = load_log(written(text[:at] + f"# RF on\nTime{sep}P[mbar]\n" + text[at:]))
    trace = log.trace()
    np.testing.assert_allclose(trace.time, seconds, atol=1e-6)
    plain = np.r_[0:6000, 6003:12000]
    np.testing.assert_allclose(trace.reading[plain], [100.0 * float(values[k]) for k in plain], rtol=1e-14)
    assert trace.mark[6000:6003].tolist() == [4, 4, 2] and (trace.mark[plain] == GOOD).all()
    assert [(e.time, e.text) for e in log.events] == [(seconds[9000], "RF on")]


# ---- a random way of writing ------------------------------------------------------------------


@settings(max_examples=60)
@given(
    data=st.data(),
    separator=st.sampled_from([",", ";", "\t", "  ", ",\t"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "latin-1", "utf-16"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    unit=st.sampled_from(sorted(PASCAL)),
    clock=st.sampled_from(["t_s", "time [min]", "iso", "day first", "unix", "twelve hours"]),
    comma=st.booleans(),
)
def test_a_random_way_of_writing_reads_back(tmp_path_factory, data, separator, encoding, end, unit, clock, comma):
    n = data.draw(st.integers(2, 30))
    steps = data.draw(st.lists(st.integers(1, 50), min_size=n - 1, max_size=n - 1))
    seconds = np.concatenate([[0.0], np.cumsum(steps)]) / 10.0
    pascal = np.array(data.draw(st.lists(st.floats(1e-9, 1e5), min_size=n, max_size=n)))
    comma = comma and "," not in separator
    values = [f"{p / PASCAL[unit]:.9e}" for p in pascal]
    start = datetime.datetime(2022, 9, 28, 11, 59, 50)
    moments = [start + datetime.timedelta(seconds=float(s)) for s in seconds]
    name, times = {
        "t_s": ("t_s", [f"{s:.1f}" for s in seconds]),
        "time [min]": ("time [min]", [f"{s / 60.0:.9f}" for s in seconds]),
        "iso": ("Timestamp", [m.strftime("%Y-%m-%d %H:%M:%S.%f") for m in moments]),
        "day first": ("Timestamp", [m.strftime("%d/%m/%Y %H:%M:%S.%f") for m in moments]),
        "unix": ("Timestamp", [f"{1.6e9 + s:.1f}" for s in seconds]),
        "twelve hours": ("Timestamp", [m.strftime("%d-%b-%Y %I:%M:%S.%f %p") for m in moments]),
    }[clock]
    if comma:
        values = [v.replace(".", ",") for v in values]
        times = [t.replace(".", ",") for t in times]
    text = end.join([f"{name}{separator}P [{unit}]", *(f"{t}{separator}{v}" for t, v in zip(times, values, strict=True))]) + end
    path = tmp_path_factory.mktemp("random") / "log.txt"
    path.write_bytes(text.encode(encoding))
    trace = load_log(path).trace()
    np.testing.assert_allclose(trace.time, seconds, atol=1e-6)
    # Nine decimals were written.  A reading above three atmospheres cannot occur here.
    known = trace.mark == GOOD
    np.testing.assert_allclose(trace.reading[known], pascal[known], rtol=1e-9)
    # Marks are made on nothing but readings that stand there over and over, or lie beside a step at a decade.
    assert known.all() or len(np.unique(pascal)) < n or n >= 20
