//! What is to be said about a spare, and how much it weighs.

use crate::element::Polarity;

/// What comes of all findings about a spare.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// It can go in as it is.
    Fits,
    /// It works there, with something to know or to do.
    FitsWithRemark,
    /// It must not go in.
    DoesNotFit,
}

/// How much a finding weighs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Weight {
    /// Worth knowing.
    Note,
    /// Something to know or to do before it goes in.
    Remark,
    /// A reason against it.
    Against,
}

/// When something is asked of a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum When {
    /// Without a signal.
    AtRest,
    /// Without a signal, at the highest temperature.
    Hot,
    /// Driven by a sine up to the onset of clipping.
    Driven,
    /// Letting nothing through, as when the set is switched on.
    CutOff,
}

/// Something about a spare in its place. Volts, amperes and watts without signs, unless they are of a node.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Finding {
    /// NPN for PNP, or the other way round.
    WrongPolarity {
        /// What the place wants.
        wanted: Polarity,
    },
    /// Silicon for germanium, or the other way round.
    OtherMaterial {
        /// Whether the place had germanium.
        wanted_germanium: bool,
    },
    /// Another order of pins.
    OtherPinout {
        /// Of the device that comes out.
        wanted: String,
        /// Of the spare.
        own: String,
    },
    /// Another case.
    OtherCase {
        /// Of the device that comes out.
        wanted: String,
        /// Of the spare.
        own: String,
    },
    /// The circuit finds no bias with it, and why.
    NoBias {
        /// Why.
        why: String,
    },
    /// The circuit does not stay at its bias point, and how it leaves it.
    Unstable {
        /// What it does.
        what: String,
    },
    /// A transistor that amplified with the original does not any more.
    Disabled {
        /// Which.
        device: String,
        /// What it is now: `saturated`, `off`, `reversed`.
        region: &'static str,
        /// At the highest temperature, and not at the ambient of the question.
        hot: bool,
    },
    /// A transistor that amplified with the original does not in some sets within their tolerances.
    LostInUnits {
        /// How many sets.
        lost: usize,
        /// Of how many.
        units: usize,
        /// How many with the original.
        lost_before: usize,
    },
    /// Points outside the healthy band.
    OutsideBand {
        /// How many of them.
        count: usize,
        /// The farthest out.
        worst: String,
        /// V there.
        volts: f64,
        /// The band there, V.
        band: [f64; 2],
    },
    /// The gain lies outside the healthy band.
    Gain {
        /// Change, dB.
        change_db: f64,
        /// Healthy gains over that of the original, dB.
        band_db: [f64; 2],
    },
    /// No gain at all.
    NoGain,
    /// The upper or lower -3 dB limit moves in.
    Bandwidth {
        /// Whether it is the upper one.
        upper: bool,
        /// With the original, Hz.
        before_hz: f64,
        /// With the spare, Hz.
        after_hz: f64,
        /// Whether it now lies in the band that the original passed.
        cuts: bool,
    },
    /// More hiss than healthy units have, or so much that it would be complained of.
    Hiss {
        /// Over the original, dB.
        change_db: f64,
        /// How far the gain went up or down with it, dB; `None` without gain.
        gain_db: Option<f64>,
        /// From where on there is a complaint, dB.
        complaint_db: f64,
    },
    /// Heat against the rating.
    Dissipation {
        /// W.
        watts: f64,
        /// PTOT, W.
        rated: f64,
        /// When.
        when: When,
    },
    /// Volts from collector to emitter against the rating.
    Volts {
        /// V.
        volts: f64,
        /// VCEO, V.
        rated: f64,
        /// When.
        when: When,
    },
    /// Collector current against the rating.
    Current {
        /// A.
        amps: f64,
        /// ICM, A.
        rated: f64,
        /// When.
        when: When,
    },
    /// Rated for less than half of what the original is, and what the place asks for when driven is not known.
    RatedLess {
        /// Letters of the rating.
        which: &'static str,
        /// Of the spare, SI.
        own: f64,
        /// Of the original, SI.
        original: f64,
        /// Unit of both.
        unit: &'static str,
    },
    /// Hardly any healthy set found a bias: no band to judge DC, gain and hiss by.
    NoBands,
    /// Ratings that its model does not give.
    RatingsUnknown {
        /// Their letters.
        which: Vec<&'static str>,
    },
    /// The junction at the highest temperature inside the cabinet.
    HotJunction {
        /// °C.
        celsius: f64,
        /// Inside the cabinet, °C.
        ambient_celsius: f64,
        /// What its material stands, °C.
        limit_celsius: f64,
    },
    /// Its heat feeds on itself.
    Runaway {
        /// So much of a degree comes back for each; at 1 it runs away.
        thermal_loop: f64,
        /// Inside the cabinet, °C.
        ambient_celsius: f64,
    },
    /// No rest at the highest temperature, and why.
    NoBiasHot {
        /// Why.
        why: String,
        /// Inside the cabinet, °C.
        ambient_celsius: f64,
    },
    /// It leaks as faulty ones do.
    Leaky {
        /// Its ICBO, A.
        amps: f64,
        /// What the list of faults calls a leak, mild at first, A.
        from: f64,
    },
    /// It differs from the other channel's device.
    Mismatch {
        /// The other channel's device.
        twin: String,
        /// What differs.
        what: &'static str,
        /// Of the spare over that of the twin.
        ratio: f64,
        /// How far healthy devices differ.
        healthy_ratio: f64,
    },
    /// Its model was assumed.
    ModelAssumed {
        /// The model.
        model: String,
    },
    /// A measurement that is missing.
    NotMeasured {
        /// Of what.
        what: &'static str,
    },
    /// No parameters of its model give what was measured.
    BeyondModel {
        /// What.
        what: &'static str,
        /// The model.
        model: String,
    },
    /// It leaks less than the junctions of its model do by themselves.
    LeaksLess {
        /// The model.
        model: String,
        /// What that leaks, A.
        amps: f64,
    },
}

/// Temperatures that a junction stands, °C: germanium, silicon. Common practice, no source.
pub(super) const LIMIT_CELSIUS: [f64; 2] = [75.0, 150.0];

/// Farther outside the healthy band than this many times its own width nobody calls it healthy. Common practice, no source.
const FAR_WIDTHS: f64 = 1.0;

/// How far a value lies outside a band, in widths of the band; 0 inside.
pub(super) fn widths_outside(value: f64, [low, high]: [f64; 2]) -> f64 {
    f64::max(low - value, value - high).max(0.0) / (high - low).max(f64::MIN_POSITIVE)
}

impl Finding {
    /// Whether it can be told before anything is tried: the wrong kind of part, or another shape.
    pub fn is_of_kind(&self) -> bool {
        matches!(
            self,
            Finding::WrongPolarity { .. }
                | Finding::OtherMaterial { .. }
                | Finding::OtherPinout { .. }
                | Finding::OtherCase { .. }
        )
    }

    /// How much it weighs.
    pub fn weight(&self) -> Weight {
        let beyond = |value: f64, limit: f64| if value > limit { Weight::Against } else { Weight::Remark };
        match self {
            Finding::WrongPolarity { .. }
            | Finding::NoBias { .. }
            | Finding::NoBiasHot { .. }
            | Finding::Unstable { .. }
            | Finding::Disabled { .. }
            | Finding::NoGain => Weight::Against,
            Finding::OtherMaterial { .. }
            | Finding::OtherPinout { .. }
            | Finding::OtherCase { .. }
            | Finding::LostInUnits { .. }
            | Finding::RatedLess { .. }
            | Finding::NoBands
            | Finding::Leaky { .. }
            | Finding::Mismatch { .. }
            | Finding::BeyondModel { .. } => Weight::Remark,
            Finding::OutsideBand { volts, band, .. } => beyond(widths_outside(*volts, *band), FAR_WIDTHS),
            Finding::Gain { change_db, band_db } => beyond(widths_outside(*change_db, *band_db), FAR_WIDTHS),
            Finding::Bandwidth { cuts: true, .. } => Weight::Against,
            Finding::Bandwidth { .. } => Weight::Remark,
            Finding::Hiss { change_db, complaint_db, .. } => beyond(*change_db, *complaint_db),
            Finding::Dissipation { watts, rated, .. } => beyond(*watts, *rated),
            Finding::Volts { when: When::CutOff, .. } => Weight::Remark,
            Finding::Volts { volts, rated, .. } => beyond(*volts, *rated),
            Finding::Current { amps, rated, .. } => beyond(*amps, *rated),
            Finding::HotJunction { celsius, limit_celsius, .. } => beyond(*celsius, *limit_celsius),
            Finding::Runaway { thermal_loop, .. } => beyond(*thermal_loop, 1.0),
            Finding::RatingsUnknown { .. }
            | Finding::ModelAssumed { .. }
            | Finding::NotMeasured { .. }
            | Finding::LeaksLess { .. } => Weight::Note,
        }
    }

    /// Its stable name in results.
    pub fn name(&self) -> &'static str {
        match self {
            Finding::WrongPolarity { .. } => "wrong_polarity",
            Finding::OtherMaterial { .. } => "other_material",
            Finding::OtherPinout { .. } => "other_pinout",
            Finding::OtherCase { .. } => "other_case",
            Finding::NoBias { .. } => "no_bias",
            Finding::Unstable { .. } => "unstable",
            Finding::Disabled { .. } => "disabled",
            Finding::LostInUnits { .. } => "lost_in_units",
            Finding::OutsideBand { .. } => "outside_band",
            Finding::Gain { .. } => "gain",
            Finding::NoGain => "no_gain",
            Finding::Bandwidth { .. } => "bandwidth",
            Finding::Hiss { .. } => "hiss",
            Finding::Dissipation { .. } => "dissipation",
            Finding::Volts { .. } => "volts",
            Finding::Current { .. } => "current",
            Finding::RatedLess { .. } => "rated_less",
            Finding::NoBands => "no_bands",
            Finding::RatingsUnknown { .. } => "ratings_unknown",
            Finding::HotJunction { .. } => "hot_junction",
            Finding::Runaway { .. } => "runaway",
            Finding::NoBiasHot { .. } => "no_bias_hot",
            Finding::Leaky { .. } => "leaky",
            Finding::Mismatch { .. } => "mismatch",
            Finding::ModelAssumed { .. } => "model_assumed",
            Finding::NotMeasured { .. } => "not_measured",
            Finding::BeyondModel { .. } => "beyond_model",
            Finding::LeaksLess { .. } => "leaks_less",
        }
    }
}

impl Verdict {
    /// What comes of findings.
    pub fn of(findings: &[Finding]) -> Self {
        match findings.iter().map(Finding::weight).max() {
            Some(Weight::Against) => Verdict::DoesNotFit,
            Some(Weight::Remark) => Verdict::FitsWithRemark,
            Some(Weight::Note) | None => Verdict::Fits,
        }
    }

    /// Its words.
    pub fn words(self) -> &'static str {
        match self {
            Verdict::Fits => "fits",
            Verdict::FitsWithRemark => "fits, with a remark",
            Verdict::DoesNotFit => "does not fit",
        }
    }
}
