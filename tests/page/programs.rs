//! What programs read: each answer against the description that is handed out with it, and the metrics' grammar.

use crate::house::{barn, calm, empty, trouble};
use crate::server;
use crate::stored::Stored;
use serde_json::Value;
use std::sync::Arc;
use warmside::page::api::{OPENAPI, PATHS};
use warmside::page::listen::Patience;

/// As much of JSON Schema 2020-12 as the description uses; an unknown word is a fault of the description.
fn fits(schema: &Value, value: &Value, whole: &Value, at: &str) -> Result<(), String> {
    let schema = schema.as_object().ok_or(format!("{at}: no schema"))?;
    for (word, want) in schema {
        match word.as_str() {
            "$ref" => {
                let pointer = want.as_str().and_then(|r| r.strip_prefix('#')).ok_or("a strange $ref")?;
                fits(whole.pointer(pointer).ok_or(format!("{pointer} leads nowhere"))?, value, whole, at)?;
            }
            "anyOf" => {
                let any = want.as_array().ok_or("anyOf is a list")?;
                if !any.iter().any(|s| fits(s, value, whole, at).is_ok()) {
                    return Err(format!("{at}: {value} fits none"));
                }
            }
            "type" => {
                let is = |t: &str| match t {
                    "null" => value.is_null(),
                    "string" => value.is_string(),
                    "number" => value.is_number(),
                    "integer" => value.is_i64() || value.is_u64(),
                    "boolean" => value.is_boolean(),
                    "array" => value.is_array(),
                    "object" => value.is_object(),
                    _ => false,
                };
                let good = match want {
                    Value::String(t) => is(t),
                    Value::Array(types) => types.iter().filter_map(Value::as_str).any(is),
                    _ => false,
                };
                if !good {
                    return Err(format!("{at}: {value} is no {want}"));
                }
            }
            "format" => {
                if let Some(text) = value.as_str() {
                    warmside::terms::time::Wall::parse_rfc3339(text).ok_or(format!("{at}: {text} is no date-time"))?;
                }
            }
            "enum" if !want.as_array().is_some_and(|all| all.contains(value)) => {
                return Err(format!("{at}: {value} is not in {want}"));
            }
            "required" => {
                for name in want.as_array().into_iter().flatten().filter_map(Value::as_str) {
                    value.get(name).ok_or(format!("{at}: no {name}"))?;
                }
            }
            "properties" => {
                let props = want.as_object().ok_or("properties are an object")?;
                for (name, inner) in value.as_object().into_iter().flatten() {
                    let schema = props.get(name).ok_or(format!("{at}: {name} is not described"))?;
                    fits(schema, inner, whole, &format!("{at}/{name}"))?;
                }
            }
            "items" => {
                for (i, inner) in value.as_array().into_iter().flatten().enumerate() {
                    fits(want, inner, whole, &format!("{at}/{i}"))?;
                }
            }
            "prefixItems" => {
                for (schema, inner) in want.as_array().into_iter().flatten().zip(value.as_array().into_iter().flatten())
                {
                    fits(schema, inner, whole, at)?;
                }
            }
            "minItems" | "maxItems" => {
                let (n, limit) = (value.as_array().map_or(0, Vec::len) as u64, want.as_u64().unwrap_or(0));
                if (word == "minItems" && n < limit) || (word == "maxItems" && n > limit) {
                    return Err(format!("{at}: {n} items"));
                }
            }
            "enum" | "additionalProperties" | "description" => {}
            other => return Err(format!("{at}: the check does not know {other}")),
        }
    }
    Ok(())
}

fn description() -> Value {
    serde_json::from_str(OPENAPI).expect("openapi.json is JSON")
}

#[test]
fn every_answer_is_as_described_and_every_description_is_answered() {
    let whole = description();
    let described: Vec<&String> = whole["paths"].as_object().unwrap().keys().collect();
    let mut served = PATHS.to_vec();
    served.sort_unstable();
    let mut named = described.clone();
    named.sort_unstable();
    assert_eq!(named, served);
    for view in [empty(), calm(), trouble(), barn()] {
        let (some, ended) =
            (view.enclosures.get(2).map(|e| e.id.clone()), view.incidents.first().map(|i| i.id.clone()));
        let server = server::start(view, false, Arc::new(Stored { days: 1, failing: false }), Patience::default());
        for path in PATHS {
            let id = if path.contains("incidents") { &ended } else { &some };
            let query = if path.ends_with("readings") { "?probe=enclosure/a3/warm_side.temperature" } else { "" };
            let address = path.replace("{id}", id.as_deref().unwrap_or("none")) + query;
            let got = server.get(&address, &[]);
            let said: Value = serde_json::from_str(&got.text()).expect(path);
            let responses = &whole["paths"][path]["get"]["responses"];
            let schema = &responses[got.status.to_string()]["content"]["application/json"]["schema"];
            fits(schema, &said, &whole, path).unwrap_or_else(|why| panic!("{address} {}: {why}", got.status));
        }
    }
}

#[test]
fn the_check_itself_complains() {
    let whole = description();
    let band = &whole["components"]["schemas"]["Band"];
    for (bad, why) in [
        (r#"{"low":1}"#, "no high"),
        (r#"{"low":1,"high":2,"more":3}"#, "not described"),
        (r#"{"low":"1","high":2}"#, "is no"),
        ("[]", "no low"),
    ] {
        let value: Value = serde_json::from_str(bad).unwrap();
        assert!(fits(band, &value, &whole, "").is_err_and(|e| e.contains(why)), "{bad}");
    }
}

#[test]
fn readings_and_refusals() {
    let server = server::start(trouble(), false, Arc::new(Stored { days: 1, failing: false }), Patience::default());
    let got = server.get(
        "/api/1/readings?probe=enclosure/a3/warm_side.temperature&from=2026-03-03T14:00:00Z&to=2026-03-03T14:01:00Z",
        &[],
    );
    let said: Value = serde_json::from_str(&got.text()).unwrap();
    assert_eq!(said["readings"].as_array().unwrap().len(), 2, "{said}");
    assert_eq!(server.get("/api/1/readings", &[]).status, 400);
    assert_eq!(server.get("/api/1/enclosures/zz", &[]).status, 404);
    let broken = server::start(trouble(), false, Arc::new(Stored { days: 1, failing: true }), Patience::default());
    assert_eq!(broken.get("/api/1/readings?probe=x", &[]).status, 503);
    for path in crate::PAGES.iter().filter(|p| !p.starts_with("/mails/")) {
        assert_eq!(broken.get(path, &[]).status, 200, "{path}: a broken store does not hide the animals");
    }
    assert!(broken.get("/ledger", &[]).text().contains("the disk is full"));
}

/// The parts of OpenMetrics 1.0 that we write: TYPE, UNIT, HELP, samples of that family, `# EOF`.
#[test]
fn metrics_are_well_formed() {
    let mut view = trouble();
    view.enclosures[0].id = "x\"} 5\n# EOF\n\\".to_owned();
    let server = server::open(view);
    let got = server.get("/metrics", &[]);
    assert!(got.header("content-type").starts_with("application/openmetrics-text; version=1.0.0"));
    let text = got.text();
    let lines: Vec<&str> = text.strip_suffix("# EOF\n").expect("ends with # EOF").lines().collect();
    let mut family = String::new();
    let mut seen = std::collections::BTreeSet::new();
    for line in lines {
        if let Some(rest) = line.strip_prefix("# TYPE ") {
            let (name, kind) = rest.split_once(' ').unwrap();
            assert!(["gauge", "counter"].contains(&kind));
            assert!(seen.insert(name.to_owned()), "{name} twice");
            family = name.to_owned();
        } else if let Some(rest) = line.strip_prefix("# UNIT ") {
            let (name, unit) = rest.split_once(' ').unwrap();
            assert!(name == family && name.ends_with(unit), "{line}");
        } else if let Some(rest) = line.strip_prefix("# HELP ") {
            assert!(rest.starts_with(&family));
        } else {
            let name = line.split(['{', ' ']).next().unwrap();
            assert!(name == family || name == format!("{family}_total"), "{line} is not of {family}");
            assert!(line.rsplit(' ').next().unwrap().parse::<f64>().is_ok_and(f64::is_finite), "{line}");
        }
    }
    assert!(text.contains("warmside_temperature_celsius{enclosure=\"a3\",place=\"warm_side\"} 27.2\n"));
    assert!(text.contains("warmside_place_seen{enclosure=\"b5\",place=\"warm_side\"} 0\n"));
}
