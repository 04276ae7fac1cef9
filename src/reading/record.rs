//! The records of a SenML pack as written, with the labels of its JSON and of its CBOR form (RFC 8428, 4 and 6).

use serde::Deserialize;
use serde::de::{DeserializeSeed, Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};
use std::fmt;

/// The most records of a pack that are read.
pub const MOST_RECORDS: usize = 1_024;

/// One record as written.
#[derive(Debug, Default)]
pub struct Record {
    pub base_name: Option<String>,
    pub base_time: Option<f64>,
    pub base_unit: Option<String>,
    pub base_value: Option<f64>,
    pub version: Option<f64>,
    pub name: Option<String>,
    pub unit: Option<String>,
    pub value: Option<f64>,
    pub text: Option<String>,
    pub state: Option<bool>,
    pub time: Option<f64>,
    pub must_understand: bool,
}

/// All records of a pack.
pub struct Records(pub Vec<Record>);

impl<'de> Deserialize<'de> for Records {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Records, D::Error> {
        deserializer.deserialize_seq(RecordsVisitor)
    }
}

struct RecordsVisitor;

impl<'de> Visitor<'de> for RecordsVisitor {
    type Value = Records;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an array of records")
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Records, A::Error> {
        let mut records = Vec::new();
        while let Some(record) = seq.next_element()? {
            if records.len() == MOST_RECORDS {
                return Err(A::Error::custom("too many records"));
            }
            records.push(record);
        }
        Ok(Records(records))
    }
}

impl<'de> Deserialize<'de> for Record {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Record, D::Error> {
        deserializer.deserialize_map(RecordVisitor)
    }
}

struct RecordVisitor;

impl<'de> Visitor<'de> for RecordVisitor {
    type Value = Record;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a record")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Record, A::Error> {
        fn once<T, E: Error>(slot: &mut Option<T>, value: T) -> Result<(), E> {
            match slot.replace(value) {
                None => Ok(()),
                Some(_) => Err(E::custom("a field is there twice")),
            }
        }
        let mut r = Record::default();
        while let Some(label) = map.next_key_seed(LabelSeed)? {
            match label {
                Label::BaseVersion => once(&mut r.version, map.next_value::<Number>()?.0)?,
                Label::BaseName => once(&mut r.base_name, map.next_value()?)?,
                Label::BaseTime => once(&mut r.base_time, map.next_value::<Number>()?.0)?,
                Label::BaseUnit => once(&mut r.base_unit, map.next_value()?)?,
                Label::BaseValue => once(&mut r.base_value, map.next_value::<Number>()?.0)?,
                Label::Name => once(&mut r.name, map.next_value()?)?,
                Label::Unit => once(&mut r.unit, map.next_value()?)?,
                Label::Value => once(&mut r.value, map.next_value::<Number>()?.0)?,
                Label::Text => once(&mut r.text, map.next_value()?)?,
                Label::State => once(&mut r.state, map.next_value()?)?,
                Label::Time => once(&mut r.time, map.next_value::<Number>()?.0)?,
                Label::Other { must_understand } => {
                    r.must_understand |= must_understand;
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        Ok(r)
    }
}

/// A JSON number, or a CBOR integer or float (RFC 8428, 6; decimal fractions are not read).
struct Number(f64);

impl<'de> Deserialize<'de> for Number {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Number, D::Error> {
        struct AnyNumber;
        impl Visitor<'_> for AnyNumber {
            type Value = Number;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number")
            }
            fn visit_i64<E>(self, v: i64) -> Result<Number, E> {
                Ok(Number(v as f64))
            }
            fn visit_u64<E>(self, v: u64) -> Result<Number, E> {
                Ok(Number(v as f64))
            }
            fn visit_f64<E>(self, v: f64) -> Result<Number, E> {
                Ok(Number(v))
            }
        }
        deserializer.deserialize_any(AnyNumber)
    }
}

enum Label {
    BaseVersion,
    BaseName,
    BaseTime,
    BaseUnit,
    BaseValue,
    Name,
    Unit,
    Value,
    Text,
    State,
    Time,
    /// A name that ends in `_` must be understood (RFC 8428, 4.4).
    Other {
        must_understand: bool,
    },
}

struct LabelSeed;

impl<'de> DeserializeSeed<'de> for LabelSeed {
    type Value = Label;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Label, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl Visitor<'_> for LabelSeed {
    type Value = Label;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a label")
    }

    fn visit_str<E: Error>(self, label: &str) -> Result<Label, E> {
        Ok(match label {
            "bver" => Label::BaseVersion,
            "bn" => Label::BaseName,
            "bt" => Label::BaseTime,
            "bu" => Label::BaseUnit,
            "bv" => Label::BaseValue,
            "n" => Label::Name,
            "u" => Label::Unit,
            "v" => Label::Value,
            "vs" => Label::Text,
            "vb" => Label::State,
            "t" => Label::Time,
            other => Label::Other { must_understand: other.ends_with('_') },
        })
    }

    /// The CBOR labels of RFC 8428, table 4.
    fn visit_i64<E: Error>(self, label: i64) -> Result<Label, E> {
        Ok(match label {
            -1 => Label::BaseVersion,
            -2 => Label::BaseName,
            -3 => Label::BaseTime,
            -4 => Label::BaseUnit,
            -5 => Label::BaseValue,
            0 => Label::Name,
            1 => Label::Unit,
            2 => Label::Value,
            3 => Label::Text,
            4 => Label::State,
            6 => Label::Time,
            _ => Label::Other { must_understand: false },
        })
    }
    fn visit_u64<E: Error>(self, label: u64) -> Result<Label, E> {
        self.visit_i64(i64::try_from(label).unwrap_or(i64::MAX))
    }
}
