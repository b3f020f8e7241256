//! The JSON Schema of a reading, beside the code that writes one.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};

use super::{How, Measure, Reading};

impl JsonSchema for Reading {
    fn schema_name() -> Cow<'static, str> {
        "Reading".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let measures: Vec<&str> = Measure::ALL.iter().map(|measure| measure.name()).collect();
        let mut schema = json_schema!({
            "type": "object",
            "description": "A reading; without its value a test.",
            "properties": {
                "measure": { "enum": measures, "description": "What is measured." },
                "at": { "type": "string", "description": "Point, node, or A,B; the output where it is missing." },
                "twin": { "const": true, "description": "It was made at the healthy channel's same point." },
                "with": {
                    "type": "object",
                    "additionalProperties": { "type": "number" },
                    "description": "Where controls stood."
                },
                "hz": { "type": "number", "description": "Frequency of a gain or response, Hz." },
                "value": {
                    "type": ["number", "string"],
                    "description": "V, dB, W or °C; or as it was written, with a unit or in a word."
                },
                "note": { "type": "string", "description": "Remark." }
            },
            "required": ["measure"]
        });
        if let Some(properties) = schema.get_mut("properties").and_then(|all| all.as_object_mut()) {
            for how in How::ALL {
                let what = json_schema!({ "type": "string", "description": "What this was done to, for a change." });
                properties.insert(how.name().to_owned(), what.to_value());
            }
        }
        schema
    }
}
