//! Which hiss moves with a control, as other programs read it.

use serde::Serialize;

use crate::report::{ControlResult, ControlledDevice, ControlledPoint};

/// A control of `noise` or `compare`.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
pub struct Control<'a> {
    control: &'a str,
    ends: [f64; 2],
    nodes: Vec<ControlNode<'a>>,
    /// The same before the change, in `compare`.
    #[serde(skip_serializing_if = "Option::is_none")]
    before_nodes: Option<Vec<ControlNode<'a>>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct ControlNode<'a> {
    node: &'a str,
    low_rms_v: f64,
    high_rms_v: f64,
    change_db: Option<f64>,
    low_moving_share: f64,
    high_moving_share: f64,
    devices: Vec<ControlDevice<'a>>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "cli", derive(schemars::JsonSchema))]
struct ControlDevice<'a> {
    device: &'a str,
    low_rms_v: f64,
    high_rms_v: f64,
    change_db: Option<f64>,
    low_share: f64,
    high_share: f64,
    moves: bool,
}

impl<'a> Control<'a> {
    /// From its result, and in `compare` that of the circuit before the change.
    pub fn new(result: &'a ControlResult, before: Option<&'a ControlResult>) -> Self {
        Self {
            control: &result.control.name,
            ends: result.control.ends,
            nodes: result.points.iter().map(node).collect(),
            before_nodes: before.map(|before| before.points.iter().map(node).collect()),
        }
    }
}

fn node(point: &ControlledPoint) -> ControlNode<'_> {
    ControlNode {
        node: &point.name,
        low_rms_v: point.rms_volts[0],
        high_rms_v: point.rms_volts[1],
        change_db: point.change_db,
        low_moving_share: point.moving_shares[0],
        high_moving_share: point.moving_shares[1],
        devices: point.devices.iter().map(device).collect(),
    }
}

fn device(device: &ControlledDevice) -> ControlDevice<'_> {
    ControlDevice {
        device: &device.name,
        low_rms_v: device.rms_volts[0],
        high_rms_v: device.rms_volts[1],
        change_db: device.change_db,
        low_share: device.shares[0],
        high_share: device.shares[1],
        moves: device.moves,
    }
}
