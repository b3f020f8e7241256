//! Every key a sheet may have, with an example and its meaning: the one table behind unknown keys, help and the starter.

use super::fault_keys::FAULTS;

/// A key of a section.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Key {
    /// Its name.
    pub name: &'static str,
    /// What may stand behind its equals sign; for keys with a default, that default.
    pub example: &'static str,
    /// What it means.
    pub meaning: &'static str,
}

/// A table of a sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Section {
    /// As it is headed, with a name of one's own where one is due: `[point.TP4]`; empty for the keys at the top.
    pub heading: &'static str,
    /// What it is for.
    pub meaning: &'static str,
    /// Its keys.
    pub keys: &'static [Key],
}

const fn key(name: &'static str, example: &'static str, meaning: &'static str) -> Key {
    Key { name, example, meaning }
}

/// The keys before the first table.
pub const TOP: Section = Section {
    heading: "",
    meaning: "the job",
    keys: &[
        key("circuit", "\"channel.cir\"", "netlist, its path counted from the folder of the sheet"),
        key("title", "\"job 12: hiss in the left channel\"", "job, complaint, cautions for this set"),
        key("input", "\"VIN\"", "source the signal comes from"),
        key("output", "\"out\"", "node or point where the complaint is heard"),
        key("band", "[20, 20000]", "band of hiss readings, Hz"),
        key(
            "complaint",
            "{ hiss_db = 5, controls = { volume = [0.3, 0] } }",
            "so much over the healthy model at the output; lists of controls pair up into settings",
        ),
    ],
};

/// `complaint = { … }`
pub const COMPLAINT: Section = Section {
    heading: "complaint",
    meaning: "what was complained of",
    keys: &[
        key("hiss_db", "5", "at least so many dB over the healthy model at the output"),
        key("controls", "{ volume = [0.3, 0] }", "where controls stood; lists pair up, and it shows at every pair"),
    ],
};

/// `[point.NAME]`
pub const POINT: Section = Section {
    heading: "[point.TP4]",
    meaning: "a place to measure with a name of its own; every node is one under its own name",
    keys: &[
        key("node", "\"c2\"", "its node"),
        key("where", "\"collector of Q2, the lug beside the can\"", "where to find it in the set"),
        key("twin", "\"c2r\"", "the same node in the healthy channel, if the netlist has it"),
        key(
            "printed_dc",
            "\"-4.2 V\"",
            "volts printed on the schematic, read with a meter of 10 MΩ unless dc_meter says otherwise",
        ),
    ],
};

/// `[control.NAME]`
pub const CONTROL: Section = Section {
    heading: "[control.volume]",
    meaning: "a control that can be turned",
    keys: &[
        key("param", "\"vol\"", "the .param of the netlist that it is; its own name unless given"),
        key("range", "[0, 1]", "its lower and upper end"),
        key("now", "0.5", "where it stands; as in the netlist unless given"),
    ],
};

/// `[instrument.meter]`
pub const METER: Section = Section {
    heading: "[instrument.meter]",
    meaning: "the meter for hiss",
    keys: &[
        key("ohm", "1e6", "resistance across its input"),
        key("farad", "\"100 pF\"", "capacitance across its input, cable included"),
        key("floor", "\"3 uV\"", "its own noise, rms"),
        key("responds", "\"rms\"", "rms, or average (its scale in rms of a sine: hiss reads 1.05 dB low)"),
    ],
};

/// `[instrument.scope]`
pub const SCOPE: Section = Section {
    heading: "[instrument.scope]",
    meaning: "the scope and its probe",
    keys: &[
        key("probe", "\"x10\"", "x1, x10 or bare"),
        key("ohm", "10e6", "resistance at the tip, if another"),
        key("farad", "\"15 pF\"", "capacitance at the tip, if another"),
        key("bandwidth", "\"20 kHz\"", "upper limit of its bandwidth"),
        key("coupling", "\"10 Hz\"", "corner of its AC coupling"),
        key("floor", "\"0.2 mV\"", "its own noise at its input, rms; with x10 ten times that at the tip"),
        key("finest", "\"2 mV\"", "finest step of its knob, volts per division"),
    ],
};

/// `[instrument.dc_meter]`
pub const DC_METER: Section = Section {
    heading: "[instrument.dc_meter]",
    meaning: "the meter for DC",
    keys: &[
        key("ohm", "10e6", "its resistance on every range"),
        key("ohm_per_volt", "20000", "or, for a moving coil, ohms for each volt of the range"),
        key("range", "\"10 V\"", "its range with ohm_per_volt; the least that fits unless given"),
    ],
};

/// `[bench]`
pub const BENCH: Section = Section {
    heading: "[bench]",
    meaning: "what things at hand do",
    keys: &[
        key("ambient_c", "27", "temperature inside the set, °C; as in the netlist unless given"),
        key("hottest_c", "45", "the highest temperature inside the closed cabinet, °C"),
        key("freeze_c", "-30", "of a part under freeze spray, °C"),
        key("cool_c", "2.5", "of a part gently cooled, °C"),
        key("finger_c", "33", "of a part under a finger, °C"),
        key("heat_germanium_c", "45", "of a germanium part in warm air, °C"),
        key("heat_silicon_c", "60", "of any other part in warm air, °C"),
        key("shunt_uf", "100", "capacitor for shunting a node to ground, µF"),
        key("near", "[[\"Q1\", \"Q2\"]]", "parts side by side: spray spills over"),
    ],
};

/// `[tolerance]`
pub const TOLERANCE: Section = Section {
    heading: "[tolerance]",
    meaning: "how healthy units differ; TOL of a part stands over it",
    keys: &[
        key("resistor", "\"10 %\"", "of resistors either way, or its two ends [\"-5 %\", \"20 %\"]"),
        key("resistor_noise", "[0.05, 0.5]", "healthy excess noise of resistors, µV/V, even in its logarithm"),
        key("capacitor", "[\"-20 %\", \"50 %\"]", "of other capacitors"),
        key("electrolytic", "[\"-20 %\", \"50 %\"]", "of electrolytics"),
        key("inductor", "\"0 %\"", "of windings"),
        key("beta", "2", "largest over smallest current gain, each device its own"),
        key("icbo", "3", "largest over smallest leakage, each device its own"),
        key("is", "0.3", "sd of ln IS, each device its own"),
        key("rb_batch", "0.25", "sd of ln RB, the same for all"),
        key("rb", "0.2", "sd of ln RB, each device its own"),
        key("kf_batch", "0.5", "sd of ln KF, the same for all"),
        key("kf", "0.4", "sd of ln KF, each device its own"),
        key("supply", "\"5 %\"", "of the supplies, all together"),
        key("ambient_c", "[18, 30]", "temperature inside the set, °C"),
        key("meter", "\"5 %\"", "scale of the meter, 1 sd, common to all its hiss readings"),
        key("freeze_c", "6", "of the temperature of a frozen part, °C either way"),
        key("cool_c", "[0, 5]", "temperature of a cooled part, °C"),
        key("finger_c", "3", "of the temperature under a finger, °C either way"),
        key("heat_c", "6", "of the temperature of a heated part, °C either way"),
        key("spill", "[\"0 %\", \"15 %\"]", "of a swing in temperature that reaches parts that are near"),
        key("leak_exponent", "[1, 2]", "power of the current that excess noise of a leak follows with temperature"),
    ],
};

/// `[reading_error]`
pub const READING_ERROR: Section = Section {
    heading: "[reading_error]",
    meaning: "how far readings scatter, 1 sd",
    keys: &[
        key("hiss", "\"12 %\"", "of a reading in rms"),
        key("pp", "\"20 %\"", "of a reading peak to peak on the scope"),
        key("pp_observer", "\"15 %\"", "of the eye, common to all scope readings"),
        key("dc", "\"1.2 %\"", "of DC volts"),
        key("dc_zero", "\"5 mV\"", "and so much at zero"),
        key("change_db", "0.7", "of a change"),
        key("hum", "\"5 %\"", "of hum"),
        key("gain_db", "0.3", "of a gain, or of a gain against that at 1 kHz"),
        key("balance_db", "0.2", "of a gain of one channel against the other"),
        key("clip", "\"5 %\"", "of the volts at which a sine flattens"),
        key("watts", "\"10 %\"", "of power"),
        key("temperature_c", "2", "of the temperature of a case, °C"),
        key("position", "\"3 %\"", "of where a control stands, of its travel"),
    ],
};

/// `[acceptance]`
pub const ACCEPTANCE: Section = Section {
    heading: "[acceptance]",
    meaning: "what verify asks of a repaired set",
    keys: &[
        key("twin_input", "\"VR\"", "source of the other channel, if the netlist has it"),
        key("twin_output", "\"outR\"", "output of the other channel; the twin of the output unless given"),
        key("load", "\"RL\"", "resistor that takes the power; the one across the output unless given"),
        key("twin_load", "\"RLR\"", "the same of the other channel"),
        key(
            "balance",
            "\"balance\"",
            "control that makes both channels equally loud; the one of that name unless given",
        ),
        key("rated", "\"3 W\"", "rated output; what the model gives unless given"),
        key("distortion", "\"10 %\"", "watts are those at 1 % or 10 % of distortion; where a sine clips unless given"),
        key(
            "ripple",
            "\"VCC=50mV\"",
            "ripple of the supply, peak to peak, that makes the hum; its hz and charge behind it",
        ),
        key("response_hz", "[100, 10000]", "where the gain is set against that at 1 kHz, Hz"),
        key("warm_c", "[40, 50]", "inside the closed cabinet after 30 minutes, °C"),
        key("cold_c", "[5, 15]", "of a cold set, °C"),
        key("share", "\"99 %\"", "of healthy units that pass each item"),
    ],
};

/// `[cost]`
pub const COST: Section = Section {
    heading: "[cost]",
    meaning: "what tests and work cost, in bench units",
    keys: &[
        key("tap", "0.3", "tap or work a control, joint or socket"),
        key("turn", "0.5", "a control end to end"),
        key("hiss", "1", "hiss at a point"),
        key("dc", "1", "DC volts"),
        key("twin", "1", "the healthy channel's same point"),
        key("finger", "1", "a finger on a part"),
        key("shunt", "1", "a capacitor from a node to ground"),
        key("cool", "2", "gentle cooling"),
        key("freeze", "2", "freeze spray"),
        key("heat", "2", "warm air"),
        key("lift", "15", "a leg lifted"),
        key("wrong_part", "30", "a part replaced that was good"),
        key("open_search", "60", "nothing listed fits"),
    ],
};

/// `[[suspect]]`
pub const SUSPECT: Section = Section {
    heading: "[[suspect]]",
    meaning: "a part that may be at fault; without any, every part",
    keys: &[
        key("part", "\"Q2\"", "the part"),
        key("weight", "1", "how much more often it fails than its like"),
        key("kinds", "[\"contact\"]", "only these kinds of fault"),
        key("pin", "\"base\"", "pin of a contact or open"),
    ],
};

/// `[[spare]]`
pub const SPARE: Section = Section {
    heading: "[[spare]]",
    meaning: "a part in the drawer",
    keys: &[
        key("name", "\"blue dot, drawer 3\"", "what it is called"),
        key("model", "\"GEP_SMALL\"", "model of the netlist that it is like"),
        key("beta", "78", "its current gain"),
        key("iceo", "\"120 uA at 6 V\"", "its collector current with open base"),
        key("icbo", "\"2 uA\"", "or its collector-base leakage at 25 °C"),
        key("case", "\"small can\"", "its case"),
        key("pinout", "\"EBC\"", "order of its pins, from below"),
        key("note", "\"from the donor set\"", "remark"),
    ],
};

/// `[[reading]]`
pub const READING: Section = Section {
    heading: "[[reading]]",
    meaning: "what was measured",
    keys: &[
        key(
            "measure",
            "\"hiss\"",
            "hiss, pp, dc, change; for verify hum, gain, response, balance, clip_up, clip_down, watts, temperature",
        ),
        key("at", "\"TP4\"", "point or node; for a change the output unless given"),
        key(
            "value",
            "\"12 mV\"",
            "number with unit, \"2.4 div at 5 mV\", or same, less, much less, gone, more, not visible",
        ),
        key("twin", "false", "true: at the healthy channel's same point"),
        key("with", "{ volume = 0 }", "where controls stood"),
        key("when", "\"warm\"", "warm (after 30 minutes in the closed cabinet) or cold; for verify"),
        key("weight", "\"a\"", "weighting of hiss: flat, a, 468; for verify"),
        key("hz", "10000", "frequency of a gain or response"),
        key("note", "\"flickers\"", "remark"),
        key("freeze", "\"Q4\"", "what was done for a change: part under freeze spray"),
        key("cool", "\"Q4\"", "part gently cooled"),
        key("finger", "\"Q4\"", "part under a finger"),
        key("heat", "\"Q4\"", "part in warm air"),
        key("shunt", "\"b1\"", "node shunted to ground"),
        key("turn", "\"volume\"", "control turned down to its lower end"),
        key("tap", "\"RV1\"", "part, socket or control tapped or worked"),
    ],
};

/// `[drill]`
pub const DRILL: Section = Section {
    heading: "[drill]",
    meaning: "a lesson for hissmap drill",
    keys: &[
        key("goal", "\"find the part in ten minutes, without the scope\"", "what is to be learnt"),
        key("seed", "7", "number from which fault, tolerances and reading errors are drawn"),
        key("level", "\"fair\"", "easy, fair or hard"),
        key(
            "sealed",
            "\"3f07…\"",
            "a chosen fault that nobody reads at a glance: hissmap drill SHEET --fault … --seal",
        ),
    ],
};

/// Sections in the order of a starter.
pub const SECTIONS: &[Section] = &[
    POINT,
    CONTROL,
    METER,
    SCOPE,
    DC_METER,
    BENCH,
    TOLERANCE,
    READING_ERROR,
    ACCEPTANCE,
    COST,
    SUSPECT,
    SPARE,
    READING,
    DRILL,
];

/// Tables that may stand in a sheet, besides the keys at the top.
pub const TABLES: &[Key] = &[
    key("point", "", "places to measure"),
    key("control", "", "controls"),
    key("instrument", "", "instruments"),
    key("bench", "", "what things at hand do"),
    key("tolerance", "", "how healthy units differ"),
    key("reading_error", "", "how far readings scatter"),
    key("acceptance", "", "what verify asks of a repaired set"),
    key("cost", "", "what tests cost"),
    key("fault", "", "how often faults are met, and how bad they are"),
    key("suspect", "", "parts that may be at fault"),
    key("spare", "", "parts in the drawer"),
    key("reading", "", "what was measured"),
    key("drill", "", "a lesson"),
];

/// `[fault.KIND]` of a kind; `None` for a kind that is not known.
pub fn fault(kind: &str) -> Option<Section> {
    FAULTS.iter().find(|(name, _)| *name == kind).map(|(_, section)| *section)
}
