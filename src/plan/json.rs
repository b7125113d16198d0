//! JSON as a tree, with one rule more than the standard's: no key stands twice in a table. Of two
//! `medical` the last would win in silence.

use std::fmt;

use serde::de::{Deserialize, Deserializer, Error, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};

/// A JSON value in which no table holds a key twice.
pub(super) struct Unambiguous(pub(super) Value);

impl<'de> Deserialize<'de> for Unambiguous {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Reader).map(Unambiguous)
    }
}

struct Reader;

impl<'de> Visitor<'de> for Reader {
    type Value = Value;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a value")
    }

    fn visit_unit<E: Error>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_bool<E: Error>(self, answer: bool) -> Result<Value, E> {
        Ok(Value::Bool(answer))
    }

    fn visit_i64<E: Error>(self, number: i64) -> Result<Value, E> {
        Ok(Value::from(number))
    }

    fn visit_u64<E: Error>(self, number: u64) -> Result<Value, E> {
        Ok(Value::from(number))
    }

    fn visit_f64<E: Error>(self, number: f64) -> Result<Value, E> {
        Number::from_f64(number).map(Value::Number).ok_or_else(|| E::custom("not a number"))
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Value, E> {
        Ok(Value::String(text.to_owned()))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<Value, A::Error> {
        let mut values = Vec::new();
        while let Some(Unambiguous(value)) = list.next_element()? {
            values.push(value);
        }
        Ok(Value::Array(values))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut table: A) -> Result<Value, A::Error> {
        let mut entries = Map::new();
        while let Some((key, Unambiguous(value))) = table.next_entry::<String, _>()? {
            if entries.contains_key(&key) {
                let shown: String = key.chars().take(40).collect();
                return Err(A::Error::custom(format!("the key {shown:?} stands twice; keep one")));
            }
            entries.insert(key, value);
        }
        Ok(Value::Object(entries))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_reads_what_serde_json_reads() {
        let text = r#"{"a": [1, -2, 3.5, 1e3, true, null, "x\n"], "b": {"c": {}}}"#;
        let Unambiguous(value) = serde_json::from_str(text).unwrap();
        assert_eq!(value, serde_json::from_str::<Value>(text).unwrap());
    }

    #[test]
    fn a_key_that_stands_twice_is_refused_at_any_depth() {
        for text in [r#"{"a": 1, "a": 2}"#, r#"{"crew": [{"medical": "x", "medical": "y"}]}"#] {
            let refused = serde_json::from_str::<Unambiguous>(text).err().unwrap();
            assert!(refused.to_string().contains("stands twice"), "{refused}");
        }
    }

    #[test]
    fn depth_is_bounded() {
        let bomb = "[".repeat(100_000);
        assert!(serde_json::from_str::<Unambiguous>(&bomb).is_err());
    }
}
