//! How the counts of dropped frames are stored: one field for each reason, `dropped_` and the reason's key.

use std::fmt;

use serde::de::{Deserializer, Error, IgnoredAny, MapAccess, Visitor};
use serde::ser::{SerializeMap, Serializer};

use crate::censor::{PerReason, Reason};

fn field(reason: Reason) -> String {
    format!("dropped_{}", reason.key())
}

pub(super) fn serialize<S: Serializer>(dropped: &PerReason<usize>, s: S) -> Result<S::Ok, S::Error> {
    let mut fields = s.serialize_map(None)?;
    for (reason, count) in dropped.iter() {
        fields.serialize_entry(&field(reason), count)?;
    }
    fields.end()
}

pub(super) fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<PerReason<usize>, D::Error> {
    d.deserialize_map(Fields)
}

/// Takes the counts out of a row's fields and passes over the others.
struct Fields;

impl<'de> Visitor<'de> for Fields {
    type Value = PerReason<usize>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a count of dropped frames for each reason")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
        let mut found: PerReason<Option<usize>> = PerReason::default();
        while let Some(name) = map.next_key::<String>()? {
            match Reason::ALL.into_iter().find(|&reason| field(reason) == name) {
                Some(reason) => found[reason] = Some(map.next_value()?),
                None => {
                    map.next_value::<IgnoredAny>()?;
                }
            }
        }
        let mut dropped = PerReason::default();
        for (reason, count) in found.iter() {
            dropped[reason] = count.ok_or_else(|| A::Error::custom(format!("{} is missing", field(reason))))?;
        }
        Ok(dropped)
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::ReportRow;
    use super::*;
    use crate::discover::ScanId;

    #[test]
    fn a_row_has_one_field_for_each_reason_and_is_read_back_with_others_beside_it() {
        let id = ScanId { participant: "a".to_owned(), session: None, task: None, run: None };
        let mut row = ReportRow::failed(&id, None);
        for (at, reason) in Reason::ALL.into_iter().enumerate() {
            row.dropped[reason] = at + 1;
        }
        let mut stored = json!(row);
        assert_eq!((&stored["dropped_settling"], &stored["dropped_short_stretch"]), (&json!(1), &json!(7)));
        assert!(stored.get("dropped").is_none());
        stored["shrinkage"] = json!([{ "atlas": "tern" }]);
        let read: ReportRow = serde_json::from_value(stored.clone()).unwrap();
        assert_eq!(read.dropped, row.dropped);
        stored.as_object_mut().unwrap().remove("dropped_moved");
        let message = serde_json::from_value::<ReportRow>(stored).unwrap_err().to_string();
        assert!(message.contains("dropped_moved is missing"), "{message}");
    }
}
