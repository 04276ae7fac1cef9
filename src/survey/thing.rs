//! W3C Thing Descriptions: which topics a thing speaks on, and what it says of each number there.
//!
//! Read are properties with a form over MQTT. The topic stands in `mqv:filter` or `mqv:topic`, or is the path of the form's
//! address (W3C, "Web of Things (WoT) Thing Description 1.1" and "WoT MQTT Binding"). A unit that is not ours leaves the
//! number unsure: the draft says so.

use super::guess::Seems;
use crate::reading::topic::LONGEST_TOPIC;
use crate::terms::quantity::Unit;
use serde_json::Value;

/// The longest description that is read, bytes, and the most numbers of it.
const LONGEST: usize = 1 << 20;
const MOST: usize = 1_024;

/// What a thing says of one number of one topic.
#[derive(Clone, Debug, PartialEq)]
pub struct Described {
    pub topic: String,
    /// RFC 6901; empty: the whole payload.
    pub pointer: String,
    /// The property's name and title.
    pub name: String,
    /// The unit as written.
    pub unit: Option<String>,
    /// `boolean`, `number`, `integer`.
    pub is_state: bool,
}

impl Described {
    /// What it is by its unit, or by being true or false. `None`: the unit is none of ours.
    pub fn seems(&self) -> Option<Seems> {
        if self.is_state {
            return Some(Seems::Switch);
        }
        let unit = self.unit.as_deref()?.rsplit([':', '/', '#']).next()?.to_lowercase().replace(['_', ' ', '-'], "");
        Some(match unit.as_str() {
            "cel" | "°c" | "degc" | "celsius" | "degreecelsius" => Seems::Temperature(Unit::Celsius),
            "[degf]" | "°f" | "degf" | "fahrenheit" | "degreefahrenheit" => Seems::Temperature(Unit::Fahrenheit),
            "k" | "kelvin" => Seems::Temperature(Unit::Kelvin),
            "lx" | "lux" => Seems::Illuminance,
            "w" | "watt" => Seems::Power,
            "v" | "volt" => Seems::Battery(Unit::Volt),
            "%rh" | "percentrh" | "relativehumidity" => Seems::Humidity,
            "%" | "percent" if self.name.to_lowercase().contains("batt") => Seems::Battery(Unit::Percent),
            "%" | "percent" if self.name.to_lowercase().contains("hum") => Seems::Humidity,
            _ => return None,
        })
    }
}

/// All numbers of a description that come over MQTT; `Err`: it is none.
pub fn read(text: &str) -> Result<Vec<Described>, String> {
    if text.len() > LONGEST {
        return Err("it is longer than 1 MiB".into());
    }
    let thing: Value = serde_json::from_str(text).map_err(|why| format!("it is no JSON: {why}"))?;
    let Some(properties) = thing["properties"].as_object() else {
        return Err("it has no properties: is it a Thing Description?".into());
    };
    let base = thing["base"].as_str().unwrap_or_default();
    let mut described = Vec::new();
    for (name, property) in properties {
        let forms = property["forms"].as_array().map_or(&[][..], Vec::as_slice);
        let Some(topic) = forms.iter().find_map(|form| topic(form, base)) else { continue };
        let title = property["title"].as_str().filter(|title| title != name);
        let name = title.map_or(name.clone(), |title| format!("{name}, {title}"));
        numbers(property, String::new(), &name, &topic, 0, &mut described);
    }
    Ok(described)
}

/// The numbers of a property: itself, or those inside an object.
fn numbers(schema: &Value, pointer: String, name: &str, topic: &str, depth: usize, out: &mut Vec<Described>) {
    const DEEPEST: usize = 6;
    if out.len() >= MOST || depth > DEEPEST {
        return;
    }
    if let Some(members) = schema["properties"].as_object() {
        for (member, schema) in members {
            let escaped = member.replace('~', "~0").replace('/', "~1");
            numbers(schema, format!("{pointer}/{escaped}"), member, topic, depth + 1, out);
        }
        return;
    }
    let kind = schema["type"].as_str().unwrap_or_default();
    if matches!(kind, "number" | "integer" | "boolean") {
        let unit = schema["unit"].as_str().map(str::to_owned);
        let name = name.to_owned();
        out.push(Described { topic: topic.to_owned(), pointer, name, unit, is_state: kind == "boolean" });
    }
}

/// The topic of a form, if it is one over MQTT and a single topic.
fn topic(form: &Value, base: &str) -> Option<String> {
    let href = form["href"].as_str().unwrap_or_default();
    let address = if href.contains("://") { href.to_owned() } else { format!("{base}{href}") };
    let rest = address.strip_prefix("mqtt://").or_else(|| address.strip_prefix("mqtts://"))?;
    let stated = ["mqv:filter", "mqv:topic"].iter().find_map(|key| match &form[*key] {
        Value::Array(all) => all.first().and_then(Value::as_str),
        one => one.as_str(),
    });
    let topic = match stated {
        Some(topic) => topic.to_owned(),
        None => unescaped(rest.split_once('/')?.1.split(['?', '#']).next()?)?,
    };
    (!topic.is_empty() && topic.len() <= LONGEST_TOPIC && !topic.contains(['+', '#', '\0'])).then_some(topic)
}

/// `%C3%A4` and the like (RFC 3986, 2.1).
fn unescaped(text: &str) -> Option<String> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.bytes();
    while let Some(byte) = rest.next() {
        let digit = |b: Option<u8>| b.and_then(|b| (b as char).to_digit(16));
        bytes.push(if byte == b'%' { (digit(rest.next())? * 16 + digit(rest.next())?) as u8 } else { byte });
    }
    String::from_utf8(bytes).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    const THING: &str = r#"{"@context":"https://www.w3.org/2022/wot/td/v1.1","title":"Rack","base":"mqtt://broker.lan:1883/",
        "properties":{
            "temperature":{"type":"number","unit":"om2:degree_Celsius","forms":[{"href":"rack/a3/warm%20side/state"}]},
            "climate":{"type":"object","properties":{"t":{"type":"number","unit":"[degF]"},"rh":{"type":"number","unit":"%RH"},
                "label":{"type":"string"}},"forms":[{"href":"mqtt://broker.lan","mqv:filter":"rack/a3/cool"}]},
            "lamp":{"type":"boolean","forms":[{"href":"http://rack.lan/lamp"},{"href":"mqtt://broker.lan","mqv:topic":"rack/a3/lamp"}]},
            "all":{"type":"number","forms":[{"href":"mqtt://broker.lan","mqv:filter":"rack/+/t"}]},
            "far":{"type":"number","forms":[{"href":"coap://rack.lan/far"}]}}}"#;

    #[test]
    fn topics_pointers_and_units_come_from_the_forms() {
        let described = read(THING).unwrap();
        let all: Vec<_> = described.iter().map(|d| (d.topic.as_str(), d.pointer.as_str(), d.seems())).collect();
        let want = [
            ("rack/a3/cool", "/rh", Some(Seems::Humidity)),
            ("rack/a3/cool", "/t", Some(Seems::Temperature(Unit::Fahrenheit))),
            ("rack/a3/lamp", "", Some(Seems::Switch)),
            ("rack/a3/warm side/state", "", Some(Seems::Temperature(Unit::Celsius))),
        ];
        assert_eq!(all, want, "no other protocol, no wildcards, no text");
    }

    #[test]
    fn what_is_no_description_is_refused() {
        assert!(read("[]").is_err() && read("{").is_err() && read(r#"{"properties":3}"#).is_err());
        assert_eq!(read(r#"{"properties":{"x":{"forms":[{"href":"mqtt://h/%zz"}],"type":"number"}}}"#), Ok(vec![]));
    }
}
