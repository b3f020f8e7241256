//! JSON Schema (draft 2020-12) of every result, derived from the very types that are serialized.

use schemars::generate::SchemaSettings;
use schemars::{Schema, SchemaGenerator, json_schema};

use super::{
    Bias, Check, Compare, Diagnose, DrillClass, DrillScore, LineError, Listen, Noise, PulledForm, Recorded, Refusal,
    Response, SparesForm, SymptomChart, Verify,
};

/// Declares what each command may print.
macro_rules! results {
    ($($command:literal => [$($result:ty),*];)*) => {
        /// Commands whose results have a schema.
        pub const COMMANDS: &[&str] = &[$($command,)*];

        fn results(command: &str, generator: &mut SchemaGenerator) -> Option<Vec<Schema>> {
            match command {
                $($command => Some(vec![$(generator.subschema_for::<$result>()),*]),)*
                _ => None,
            }
        }
    };
}

results! {
    "check" => [Check];
    "bias" => [Bias<'static>, Refusal<'static>];
    "response" => [Response<'static>, Refusal<'static>];
    "noise" => [Noise<'static>, Refusal<'static>];
    "compare" => [Compare<'static>, Refusal<'static>];
    "symptoms" => [SymptomChart<'static>, Refusal<'static>];
    "diagnose" => [Diagnose<'static>, LineError, Refusal<'static>];
    "drill" => [DrillScore<'static>, DrillClass<'static>, Refusal<'static>];
    "spares" => [SparesForm<'static>, PulledForm<'static>, Refusal<'static>];
    "verify" => [Verify<'static>, Refusal<'static>];
    "listen" => [Listen<'static>, Refusal<'static>];
    "recording" => [Recorded<'static>, Refusal<'static>];
}

/// The schema of all that a command prints as JSON: its results, and the refusal of bad input. `None` for a command without
/// JSON.
pub fn schema(command: &str) -> Option<Schema> {
    let mut generator = SchemaSettings::draft2020_12().for_serialize().into_generator();
    let any = results(command, &mut generator)?;
    let any: Vec<_> = any.into_iter().map(Schema::to_value).collect();
    Some(json_schema!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": format!("hissmap {command} --json"),
        "anyOf": any,
        "$defs": generator.take_definitions(true),
    }))
}
