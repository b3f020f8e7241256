//! A static curve, where it clips, and what it makes of a sine.
//!
//! With e = A·cos θ the output is Σ aₙ·cos nθ. Its coefficients are those of the curve in Chebyshev polynomials, and
//! follow from Gauss-Chebyshev quadrature: aₙ = (2/N)·Σ y(A·cos θₖ)·cos nθₖ, θₖ = (k + ½)·π/N (Abramowitz & Stegun
//! 25.4.38). A static curve makes no phase.

/// Points of the quadrature over half a period.
const QUADRATURE: usize = 1024;
/// Harmonics that are listed: the 2nd to the 5th.
pub(super) const HARMONICS: usize = 4;
/// A curve clips where its slope falls below this fraction of the mean slope from rest.
const CLIPS_BELOW: f64 = 0.5;

/// A point of the curve with its slope; input counted from rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Knot {
    pub input: f64,
    pub output: f64,
    pub slope: f64,
}

impl Knot {
    /// The cubic through this knot and the next with their slopes (Hermite), at `input` between them.
    pub fn between(&self, next: &Knot, input: f64) -> f64 {
        let width = next.input - self.input;
        let t = (input - self.input) / width;
        let (s, t2) = (1.0 - t, t * t);
        // The values enter as a difference: far from zero volts their digits would be lost.
        self.output
            + (next.output - self.output) * t2 * (3.0 - 2.0 * t)
            + width * t * s * (s * self.slope - t * next.slope)
    }

    /// Slope of the same cubic.
    fn slope_between(&self, next: &Knot, input: f64) -> f64 {
        let width = next.input - self.input;
        let t = (input - self.input) / width;
        6.0 * t * (1.0 - t) * (next.output - self.output) / width
            + (1.0 - t) * (1.0 - 3.0 * t) * self.slope
            + t * (3.0 * t - 2.0) * next.slope
    }
}

/// A curve of knots, ascending, one of them at rest.
#[derive(Clone, Debug)]
pub(super) struct Curve {
    knots: Vec<Knot>,
    rest: f64,
}

impl Curve {
    pub fn of(knots: Vec<Knot>) -> Self {
        let rest = knots.iter().find(|knot| knot.input == 0.0).map_or(0.0, |knot| knot.output);
        Self { knots, rest }
    }

    pub fn knots(&self) -> &[Knot] {
        &self.knots
    }

    /// Output at rest.
    pub fn rest(&self) -> f64 {
        self.rest
    }

    /// Largest amplitude that the curve covers.
    pub fn reach(&self) -> f64 {
        match self.knots.as_slice() {
            [first, .., last] => f64::min(-first.input, last.input),
            _ => 0.0,
        }
    }

    /// Output at an input, held at the ends.
    pub fn at(&self, input: f64) -> f64 {
        match self.interval(input) {
            Some((left, right)) => left.between(right, input),
            None => self.rest,
        }
    }

    fn interval(&self, input: f64) -> Option<(&Knot, &Knot)> {
        let after = self.knots.partition_point(|knot| knot.input <= input).clamp(1, self.knots.len().max(2) - 1);
        Some((self.knots.get(after - 1)?, self.knots.get(after)?))
    }

    /// Where the curve first clips below and above rest: [towards negative input, towards positive].
    pub fn clips(&self) -> [Option<Knot>; 2] {
        self.clip_intervals()
            .map(|interval| interval.map(|[inner, outer]| self.clip_between(self.knots[inner], self.knots[outer])))
    }

    /// The knots between which it does: the last that has not clipped, the first that has.
    pub fn clip_intervals(&self) -> [Option<[usize; 2]>; 2] {
        let rest = self.knots.partition_point(|knot| knot.input < 0.0);
        let outward = |at: &dyn Fn(usize) -> Option<usize>| {
            let mut steps = (0..self.knots.len()).map_while(at);
            let mut inner = steps.next()?;
            for outer in steps {
                if self.has_clipped(&self.knots[outer]) {
                    return Some([inner, outer]);
                }
                inner = outer;
            }
            None
        };
        [
            outward(&|step| rest.checked_sub(step)),
            outward(&|step| Some(rest + step).filter(|&at| at < self.knots.len())),
        ]
    }

    fn has_clipped(&self, knot: &Knot) -> bool {
        let mean = (knot.output - self.rest) / knot.input;
        knot.slope * mean.signum() < CLIPS_BELOW * mean.abs()
    }

    /// By bisection on the cubic between the last knot that has not clipped and the first that has.
    fn clip_between(&self, inner: Knot, outer: Knot) -> Knot {
        let at = |input: f64| {
            let (left, right) = if inner.input < outer.input { (&inner, &outer) } else { (&outer, &inner) };
            Knot { input, output: left.between(right, input), slope: left.slope_between(right, input) }
        };
        let (mut good, mut clipped) = (inner.input, outer.input);
        for _ in 0..60 {
            let middle = 0.5 * (good + clipped);
            if middle != 0.0 && self.has_clipped(&at(middle)) { clipped = middle } else { good = middle }
        }
        at(clipped)
    }
}

/// What a sine of some amplitude becomes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Distortion {
    /// Output without its mean, rms.
    pub rms: f64,
    /// Rms of all harmonics over that of the whole.
    pub total: f64,
    /// Each harmonic over the fundamental, the 2nd first.
    pub harmonics: [f64; HARMONICS],
}

impl Distortion {
    pub fn of(curve: &Curve, amplitude: f64) -> Self {
        let angles: Vec<f64> =
            (0..QUADRATURE).map(|k| (k as f64 + 0.5) * std::f64::consts::PI / QUADRATURE as f64).collect();
        let outputs: Vec<f64> = angles.iter().map(|angle| curve.at(amplitude * angle.cos()) - curve.rest()).collect();
        let coefficient = |n: usize| {
            let terms = angles.iter().zip(&outputs).map(|(angle, output)| output * (n as f64 * angle).cos());
            2.0 / QUADRATURE as f64 * terms.sum::<f64>()
        };
        let (mean, fundamental) = (0.5 * coefficient(0), coefficient(1));
        let mean_square = |of: &dyn Fn(f64, f64) -> f64| {
            let squares = angles.iter().zip(&outputs).map(|(&angle, &output)| of(angle, output).powi(2));
            squares.sum::<f64>() / QUADRATURE as f64
        };
        // From what is left, not as a difference of powers: a tenth of a per mille would drown in rounding.
        let left = mean_square(&|angle, output| output - mean - fundamental * angle.cos());
        let whole = mean_square(&|_, output| output - mean);
        Self {
            rms: whole.sqrt(),
            total: if whole > 0.0 { (left / whole).sqrt() } else { 0.0 },
            harmonics: std::array::from_fn(|nth| (coefficient(nth + 2) / fundamental).abs()),
        }
    }
}
