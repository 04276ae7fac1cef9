//! SenML packs (RFC 8428) in JSON and CBOR: base fields, relative times, and refusal of what must be understood.
//!
//! A pack is CBOR when its first byte opens a CBOR array (0x80–0x9f), which no JSON text can begin with.

use super::decode::Found;
use super::json;
use super::number::{Pins, Scalar};
use super::record::{Record, Records};
use super::refusal::Refusal;
use super::settings::{Read, Shape};
use crate::terms::quantity::{Quantity, Unit};
use crate::terms::time::{Span, Wall};

/// The version that we read (RFC 8428, 4.4).
const VERSION: f64 = 10.0;
/// Below this a time is relative to now (RFC 8428, 4.5.3: 2^28 s).
const RELATIVE_BELOW_S: f64 = 268_435_456.0;

/// What each read of a link wants of a pack.
#[derive(Clone, Debug)]
pub struct Pack {
    wants: Vec<Want>,
}

#[derive(Clone, Debug)]
struct Want {
    /// The record's resolved name (base name and name) or its name alone; `None`: the only name in the pack.
    name: Option<String>,
    quantity: Quantity,
    /// Where the pack states none.
    unit: Unit,
}

impl Pack {
    pub fn new(reads: &[Read], pick: Option<&(String, String)>) -> Pack {
        let picked = pick.filter(|(member, _)| member == "n").map(|(_, name)| name.clone());
        // Names may hold `/` (RFC 8428, 4.5.1), so the whole rest of the pointer is the name.
        let name = |p: &str| json::tokens(p).collect::<Vec<_>>().join("/");
        let want = |read: &Read| Want {
            name: read.pointer.as_deref().filter(|p| !p.is_empty()).map(name).or_else(|| picked.clone()),
            quantity: read.what.quantity(),
            unit: read.unit,
        };
        Pack { wants: reads.iter().map(want).collect() }
    }

    /// Fills `found.timed` (values in our units) and, for what is wrong, `found.slots`.
    pub fn read(&self, payload: &[u8], shape: &Shape, arrived: Wall, found: &mut Found) -> Result<(), Refusal> {
        let records = match payload.first() {
            None => return Err(Refusal::Empty),
            Some(0x80..=0x9f) => {
                let mut rest = payload;
                let records: Records = ciborium::from_reader(&mut rest).map_err(|_| Refusal::BadPack)?;
                if !rest.is_empty() {
                    return Err(Refusal::BadPack);
                }
                records
            }
            Some(_) => {
                let text = std::str::from_utf8(payload).map_err(|_| Refusal::NotUtf8)?;
                serde_json::from_str(text).map_err(|_| Refusal::BadPack)?
            }
        };
        let mut reader = Reader { pack: self, shape, arrived, found, base: Base::default(), only: None };
        for record in records.0 {
            reader.take(record)?;
        }
        let Found { slots, timed, .. } = found;
        timed.retain(|(read, _, _)| !matches!(slots.get(*read), Some(Some(Err(Refusal::Ambiguous)))));
        Ok(())
    }
}

#[derive(Clone, Debug, Default)]
struct Base {
    name: String,
    time: f64,
    unit: Option<String>,
    value: f64,
}

struct Reader<'a> {
    pack: &'a Pack,
    shape: &'a Shape,
    arrived: Wall,
    found: &'a mut Found,
    base: Base,
    /// The resolved name of the first reading, for reads that want the only one.
    only: Option<String>,
}

impl Reader<'_> {
    /// Takes a record in: first its base fields, which hold from here on (RFC 8428, 4.1).
    fn take(&mut self, record: Record) -> Result<(), Refusal> {
        let base = &mut self.base;
        if record.must_understand {
            return Err(Refusal::MustUnderstand);
        }
        if record.version.is_some_and(|v| v > VERSION) {
            return Err(Refusal::BadPack);
        }
        if let Some(name) = record.base_name {
            base.name = name;
        }
        base.time = record.base_time.unwrap_or(base.time);
        base.value = record.base_value.unwrap_or(base.value);
        base.unit = record.base_unit.or(base.unit.take());
        let name = record.name.unwrap_or_default();
        let scalar = match (record.value, record.state, record.text.as_deref()) {
            (Some(v), None, None) => Scalar::Number(v + base.value),
            (None, Some(b), None) => Scalar::Bool(b),
            (None, None, Some(text)) => Scalar::Text(text),
            // Sums and data records have no reading for us.
            _ => return Ok(()),
        };
        let time = base.time + record.time.unwrap_or(0.0);
        let measured = match time {
            0.0 => None,
            t if !t.is_finite() => None,
            t if t < RELATIVE_BELOW_S => Some(self.arrived + Span::from_s(t)),
            t => Some(Wall::from_ms(0) + Span::from_s(t)),
        };
        let unit = record.unit.as_deref().or(base.unit.as_deref());
        let full = format!("{}{name}", base.name);
        let only = self.only.get_or_insert_with(|| full.clone());
        for (read, want) in self.pack.wants.iter().enumerate() {
            let fits = want.name.as_ref().is_none_or(|wanted| *wanted == full || *wanted == name);
            if !fits {
                continue;
            }
            let value = match want.name {
                None if *only != full => Err(Refusal::Ambiguous),
                _ => want.value(scalar, unit, self.shape),
            };
            match value {
                Ok(value) => self.found.timed.push((read, value, measured)),
                Err(refusal) => {
                    if let Some(slot) = self.found.slots.get_mut(read) {
                        *slot = Some(Err(refusal));
                    }
                }
            }
        }
        Ok(())
    }
}

impl Want {
    /// In our unit. The pack's own unit counts before the link's, if the quantity can come in it.
    fn value(&self, scalar: Scalar<'_>, stated: Option<&str>, shape: &Shape) -> Result<f64, Refusal> {
        let unit = match stated {
            None => self.unit,
            Some(text) => unit(text).filter(|u| self.quantity.units().contains(u)).ok_or(Refusal::WrongUnit)?,
        };
        Pins { shape, state: self.quantity.is_state() }.json(scalar).map(|v| unit.to_ours(v))
    }
}

/// The unit of a record in ours, where it names one (RFC 8428, 12.1; `%RH` and `%EL` are percentages there).
pub fn unit(text: &str) -> Option<Unit> {
    match text {
        "%RH" | "%EL" | "%" => Some(Unit::Percent),
        other => Unit::from_code(other),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Slot;
    use crate::reading::settings::What;
    use crate::terms::place::Place;

    fn read(payload: &[u8], name: Option<&str>) -> Result<Vec<(f64, Option<String>)>, Refusal> {
        let what = What::Slot(Slot::At(Place::WarmSide, Quantity::Temperature));
        let pointer = name.map(|n| format!("/{}", n.replace('/', "~1")));
        let pack = Pack::new(&[Read { what, pointer, unit: Unit::Celsius, offset_k: 0.0 }], None);
        let mut found = Found::default();
        found.clear(1);
        let arrived = Wall::from_ms(1_400_000_000_000);
        pack.read(payload, &Shape::default(), arrived, &mut found)?;
        match found.slots.first() {
            Some(Some(Err(refusal))) => Err(*refusal),
            _ => Ok(found.timed.iter().map(|(_, v, t)| (*v, t.map(Wall::rfc3339))).collect()),
        }
    }

    #[test]
    fn single_points_and_base_fields() {
        // RFC 8428, 5.1.1 (single data point) and, shaped as 5.1.3 (several base fields), one of ours.
        let single = br#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#;
        assert_eq!(read(single, None), Ok(vec![(23.1, None)]));
        assert_eq!(read(single, Some("urn:dev:ow:10e2073a01080063")), Ok(vec![(23.1, None)]));
        assert_eq!(read(single, Some("other")), Ok(vec![]));
        let pack = br#"[{"bn":"urn:dev:ow:10e2:","bt":1.320067464e+09,"bu":"%RH","v":20,"n":"h"},
            {"u":"Cel","v":21.5,"n":"t"},{"v":21.2,"n":"h","t":60},{"u":"Cel","n":"t","v":21.75,"t":60}]"#;
        let want =
            vec![(21.5, Some("2011-10-31T13:24:24.000Z".into())), (21.75, Some("2011-10-31T13:25:24.000Z".into()))];
        assert_eq!(read(pack, Some("t")), Ok(want.clone()));
        assert_eq!(read(pack, Some("urn:dev:ow:10e2:t")), Ok(want));
        assert_eq!(read(pack, None), Err(Refusal::Ambiguous), "two names, and the link names none");
        assert_eq!(read(pack, Some("h")), Err(Refusal::WrongUnit));
    }

    #[test]
    fn relative_times_base_values_and_kelvin() {
        let pack = br#"[{"bn":"p","bv":20,"bu":"K","v":280.15,"t":-30},{"v":283.15}]"#;
        let got = read(pack, None).unwrap_or_default();
        let values: Vec<i64> = got.iter().map(|(v, _)| (v * 100.0).round() as i64).collect();
        assert_eq!(values, [2_700, 3_000]);
        assert_eq!(
            got.first().and_then(|g| g.1.clone()).as_deref(),
            Some("2014-05-13T16:52:50.000Z"),
            "30 s before it came"
        );
        assert_eq!(got.get(1).map(|g| g.1.clone()), Some(None), "time zero is now");
    }

    #[test]
    fn what_must_be_understood_refuses_the_pack() {
        let must = br#"[{"n":"t","v":1},{"n":"t","v":1,"new_":3}]"#;
        assert_eq!(read(must, Some("t")), Err(Refusal::MustUnderstand));
        assert_eq!(read(br#"[{"n":"t","v":1,"new":3}]"#, Some("t")), Ok(vec![(1.0, None)]), "others are ignored");
        for bad in [
            &br#"[{"bver":11,"n":"t","v":1}]"#[..],
            br#"{"n":"t","v":1}"#,
            br#"[{"n":"t","v":"1"}]"#,
            br#"[{"n":"t","v":1,"v":2}]"#,
            br#"[{"n":"t","v":1}"#,
            b"\x81",
            b"\x81\xa1\x02\xf9",
        ] {
            assert_eq!(read(bad, Some("t")), Err(Refusal::BadPack), "{:?}", String::from_utf8_lossy(bad));
        }
    }

    #[test]
    fn cbor_labels_are_integers() {
        // [{0: "t", 1: "Cel", 2: 23.5 (half float), 6: 0}] by RFC 8428, table 4, and RFC 8949.
        let pack = b"\x81\xa4\x00\x61t\x01\x63Cel\x02\xf9\x4d\xe0\x06\x00";
        assert_eq!(read(pack, Some("t")), Ok(vec![(23.5, None)]));
        // [{-2: "d/", 0: "t", 2: 23, "x_": 1}]
        let must = b"\x81\xa4\x21\x62d/\x00\x61t\x02\x17\x62x_\x01";
        assert_eq!(read(must, Some("t")), Err(Refusal::MustUnderstand));
        let trailing = b"\x81\xa2\x00\x61t\x02\x17\x00";
        assert_eq!(read(trailing, Some("t")), Err(Refusal::BadPack));
    }
}
