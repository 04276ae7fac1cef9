//! Devices of the Homie convention, versions 4 and 5: what they say of themselves, so that nothing about them is guessed.
//!
//! A link of this format reads `BASE/DEVICE/NODE/PROPERTY`. From the device come the unit and range of the property (5: its
//! `$description`; 4: `$unit` and `$format` of the property) and its life (`$state`). A value outside its own range is refused,
//! a unit counts before the link's, and a device that is lost is silent long before its rhythm would show it.
//! Source: "Homie: An MQTT Convention for IoT/M2M", specifications 4.0.0 and 5.0.0.

use super::decode::LONGEST_PAYLOAD;
use super::refusal::Refusal;
use crate::terms::quantity::{Quantity, Unit};
use serde::Deserialize;
use std::collections::BTreeMap;

/// The most devices that are remembered, and properties of each.
pub const MOST_DEVICES: usize = 4_096;
pub const MOST_PROPERTIES: usize = 1_024;

/// What a device says of one property.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Claim {
    /// `Some(None)`: a unit that we do not know.
    unit: Option<Option<Unit>>,
    low: Option<f64>,
    high: Option<f64>,
}

impl Claim {
    fn unit(&mut self, text: &str) {
        self.unit = match text.trim() {
            "" => None,
            "°C" => Some(Some(Unit::Celsius)),
            "°F" => Some(Some(Unit::Fahrenheit)),
            other => Some(Unit::from_code(other)),
        };
    }

    /// `from:to` of numbers, either end may be open, a step may follow; anything else says nothing about a range.
    fn format(&mut self, text: &str) {
        let mut ends = text.splitn(3, ':');
        let end = |text: Option<&str>| text.and_then(|t| t.trim().parse::<f64>().ok()).filter(|n| n.is_finite());
        (self.low, self.high) = match (ends.next(), ends.next()) {
            (low, high @ Some(_)) => (end(low), end(high)),
            _ => (None, None),
        };
    }

    /// A value as it came, in the link's unit; or why not.
    pub fn read(&self, value: f64, quantity: Quantity, links: Unit) -> Result<f64, Refusal> {
        if self.low.is_some_and(|low| value < low) || self.high.is_some_and(|high| value > high) {
            return Err(Refusal::BeyondRange);
        }
        match self.unit {
            None => Ok(value),
            Some(Some(unit)) if unit == links => Ok(value),
            Some(Some(unit)) if quantity.units().contains(&unit) => Ok(links.from_ours(unit.to_ours(value))),
            Some(_) => Err(Refusal::WrongUnit),
        }
    }
}

#[derive(Clone, Debug, Default)]
struct Device {
    /// The device through which this one speaks, if not itself.
    root: Option<String>,
    /// By `NODE/PROPERTY`.
    claims: BTreeMap<String, Claim>,
}

/// What an attribute of a device means for its readings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Said {
    /// Nothing that concerns us, or nothing that can be read.
    Nothing,
    Noted,
    /// These devices (their topics) do not speak any more, or do again.
    Gone(Vec<String>),
    Back(Vec<String>),
}

/// All devices that have described themselves, by their topics.
#[derive(Clone, Debug, Default)]
pub struct Devices(BTreeMap<String, Device>);

/// Whether a topic is an attribute and no reading.
pub fn is_attribute(topic: &str) -> bool {
    topic.rsplit('/').next().is_some_and(|last| last.starts_with('$'))
}

/// The topics of attributes that matter to a link on this topic.
pub fn attributes(topic: &str) -> Vec<String> {
    let Some(device) = topic.rsplitn(3, '/').nth(2) else { return Vec::new() };
    let of_device = ["$state", "$description"].map(|name| format!("{device}/{name}"));
    let of_property = ["$unit", "$format"].map(|name| format!("{topic}/{name}"));
    of_device.into_iter().chain(of_property).collect()
}

#[derive(Deserialize)]
struct Description {
    #[serde(default)]
    root: Option<String>,
    #[serde(default)]
    nodes: BTreeMap<String, Node>,
}

#[derive(Deserialize)]
struct Node {
    #[serde(default)]
    properties: BTreeMap<String, Property>,
}

#[derive(Deserialize)]
struct Property {
    #[serde(default)]
    unit: Option<String>,
    #[serde(default)]
    format: Option<String>,
}

impl Devices {
    /// Takes one attribute; retained ones are as good, for devices retain all of them.
    pub fn hear(&mut self, topic: &str, payload: &[u8]) -> Said {
        let Some((of, name)) = topic.rsplit_once('/').filter(|_| payload.len() <= LONGEST_PAYLOAD) else {
            return Said::Nothing;
        };
        let Ok(text) = std::str::from_utf8(payload) else { return Said::Nothing };
        match name {
            "$state" => match text.trim() {
                "lost" | "disconnected" => Said::Gone(self.with_children(of)),
                "ready" | "alert" | "sleeping" | "init" => Said::Back(self.with_children(of)),
                _ => Said::Nothing,
            },
            "$description" => match serde_json::from_str::<Description>(text) {
                Ok(description) => self.describe(of, description),
                Err(_) => Said::Nothing,
            },
            "$unit" => self.claim(of, |claim| claim.unit(text)),
            "$format" => self.claim(of, |claim| claim.format(text)),
            _ => Said::Nothing,
        }
    }

    /// What the device says of a property, by its topic.
    pub fn claim_of(&self, topic: &str) -> Option<&Claim> {
        let (device, property) = parts(topic)?;
        self.0.get(device)?.claims.get(property)
    }

    /// A lost device takes those along that speak through it.
    fn with_children(&self, device: &str) -> Vec<String> {
        let (base, id) = device.rsplit_once('/').unwrap_or(("", device));
        let child = |(topic, of): &(&String, &Device)| {
            of.root.as_deref() == Some(id) && topic.rsplit_once('/').is_some_and(|(theirs, _)| theirs == base)
        };
        let children = self.0.iter().filter(child).map(|(topic, _)| topic.clone());
        std::iter::once(device.to_owned()).chain(children).collect()
    }

    fn device(&mut self, topic: &str) -> Option<&mut Device> {
        let room = self.0.len() < MOST_DEVICES || self.0.contains_key(topic);
        room.then(|| self.0.entry(topic.to_owned()).or_default())
    }

    fn describe(&mut self, topic: &str, description: Description) -> Said {
        let Some(device) = self.device(topic) else { return Said::Nothing };
        device.root = description.root;
        device.claims.clear();
        let all = description.nodes.into_iter().flat_map(|(node, of)| {
            of.properties.into_iter().map(move |(name, property)| (format!("{node}/{name}"), property))
        });
        for (name, property) in all.take(MOST_PROPERTIES) {
            let mut claim = Claim::default();
            claim.unit(property.unit.as_deref().unwrap_or_default());
            claim.format(property.format.as_deref().unwrap_or_default());
            device.claims.insert(name, claim);
        }
        Said::Noted
    }

    fn claim(&mut self, topic: &str, set: impl FnOnce(&mut Claim)) -> Said {
        let Some((device, property)) = parts(topic) else { return Said::Nothing };
        let Some(device) = self.device(device) else { return Said::Nothing };
        if device.claims.len() >= MOST_PROPERTIES && !device.claims.contains_key(property) {
            return Said::Nothing;
        }
        set(device.claims.entry(property.to_owned()).or_default());
        Said::Noted
    }
}

/// Device and `NODE/PROPERTY` of a property's topic.
fn parts(topic: &str) -> Option<(&str, &str)> {
    let (rest, _) = topic.rsplit_once('/')?;
    let (device, _) = rest.rsplit_once('/')?;
    Some((device, topic.get(device.len() + 1..)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    const DESCRIPTION: &str = r#"{"homie":"5.0","version":7,"name":"Rack","nodes":{"warm":{"name":"Warm side","properties":{
        "temperature":{"datatype":"float","unit":"°F","format":"-40:257:0.1"},"seen":{"datatype":"boolean"}}}}}"#;

    fn read(devices: &Devices, topic: &str, value: f64) -> Option<Result<f64, Refusal>> {
        let read = |claim: &Claim| claim.read(value, Quantity::Temperature, Unit::Celsius);
        devices.claim_of(topic).map(read)
    }

    #[test]
    fn a_description_states_units_and_ranges() {
        let mut devices = Devices::default();
        assert_eq!(devices.hear("homie/5/a3/$description", DESCRIPTION.as_bytes()), Said::Noted);
        let topic = "homie/5/a3/warm/temperature";
        assert!(matches!(read(&devices, topic, 86.0), Some(Ok(c)) if (c - 30.0).abs() < 1e-9), "86 °F is 30 °C");
        assert_eq!(read(&devices, topic, 300.0), Some(Err(Refusal::BeyondRange)));
        assert_eq!(read(&devices, "homie/5/a4/warm/temperature", 30.0), None);
        assert_eq!(devices.hear("homie/5/a3/$description", b"{"), Said::Nothing, "a torn one changes nothing");
        assert!(read(&devices, topic, 86.0).is_some());
    }

    #[test]
    fn version_4_says_so_topic_by_topic() {
        let mut devices = Devices::default();
        let topic = "homie/a3/cool/temperature";
        assert_eq!(devices.hear("homie/a3/cool/temperature/$unit", "°C".as_bytes()), Said::Noted);
        assert_eq!(devices.hear("homie/a3/cool/temperature/$format", b":60"), Said::Noted);
        assert_eq!(read(&devices, topic, -5.0), Some(Ok(-5.0)), "the lower end is open");
        assert_eq!(read(&devices, topic, 61.0), Some(Err(Refusal::BeyondRange)));
        devices.hear("homie/a3/cool/temperature/$unit", b"Pa");
        assert_eq!(read(&devices, topic, 30.0), Some(Err(Refusal::WrongUnit)));
        devices.hear("homie/a3/cool/temperature/$format", b"low,high");
        devices.hear("homie/a3/cool/temperature/$unit", b"");
        assert_eq!(read(&devices, topic, 61.0), Some(Ok(61.0)), "no range, no unit");
    }

    #[test]
    fn a_lost_root_takes_its_children_along() {
        let mut devices = Devices::default();
        devices.hear("homie/5/b7/$description", br#"{"homie":"5.0","root":"bridge","parent":"bridge"}"#);
        devices.hear("homie/5/c1/$description", br#"{"homie":"5.0","root":"other"}"#);
        let gone = Said::Gone(vec!["homie/5/bridge".into(), "homie/5/b7".into()]);
        assert_eq!(devices.hear("homie/5/bridge/$state", b"lost"), gone);
        assert_eq!(devices.hear("homie/5/c1/$state", b"ready"), Said::Back(vec!["homie/5/c1".into()]));
        assert_eq!(devices.hear("homie/5/c1/$state", b"\xff"), Said::Nothing);
    }

    #[test]
    fn attributes_of_a_link() {
        let want = [
            "h/5/{enclosure}/$state",
            "h/5/{enclosure}/$description",
            "h/5/{enclosure}/w/t/$unit",
            "h/5/{enclosure}/w/t/$format",
        ];
        assert_eq!(attributes("h/5/{enclosure}/w/t"), want);
        assert!(is_attribute("h/5/a/$state") && !is_attribute("$SYS/uptime"));
    }
}
