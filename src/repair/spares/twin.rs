//! The device in the same place of the other channel.

use crate::circuit::Circuit;
use crate::element::{Bjt, Element, PartId};
use crate::mna::NodeId;

/// Finds it: a transistor of the same name in another copy of the sub-circuit (`XL.Q2`, `XR.Q2`). Where there are several,
/// or none, the one whose pins are the twins of this one's: `twins` pairs the nodes of both channels. `None` where neither
/// tells.
pub fn twin_of(circuit: &Circuit, part: PartId, twins: &[(NodeId, NodeId)]) -> Option<PartId> {
    let bjt = |id: PartId| match &circuit.part(id).element {
        Element::Bjt(device) => Some(device),
        _ => None,
    };
    let own = bjt(part)?;
    let others: Vec<(PartId, &Bjt)> =
        circuit.parts().filter_map(|(id, _)| Some((id, bjt(id)?))).filter(|(id, _)| *id != part).collect();
    let agreeing = |other: &Bjt| {
        let pairs = own.nodes.iter().zip(other.nodes);
        pairs.filter(|(own, other)| twins.contains(&(**own, *other)) || twins.contains(&(*other, **own))).count()
    };
    // Ground and rails are common to both: two pins that are twins tell a device.
    let most = others.iter().map(|(_, other)| agreeing(other)).max().unwrap_or(0);
    let mut by_pins = others.iter().filter(|(_, other)| most > 0 && agreeing(other) == most);
    if let (Some((found, _)), None) = (by_pins.next(), by_pins.next()) {
        return Some(*found);
    }
    let split = |id: PartId| circuit.part(id).name.rsplit_once('.').map(|(path, name)| (path, name.to_lowercase()));
    let (path, name) = split(part)?;
    let alike = |id: PartId| split(id).is_some_and(|(other, found)| found == name && other != path);
    let mut by_name = others.iter().filter(|(id, _)| alike(*id));
    match (by_name.next(), by_name.next()) {
        (Some((found, _)), None) => Some(*found),
        _ => None,
    }
}
