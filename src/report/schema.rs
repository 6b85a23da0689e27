//! JSON Schemas (draft 2020-12) of our files, made from the types, with each number's resolution in its description.

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema};
use serde_json::Value;

use super::resolution::decimals_of;
use super::types::Report;
use super::write::CurvesFile;

/// JSON Schema of report.json.
pub fn report_schema() -> Value {
    schema_of::<Report>()
}

/// JSON Schema of curves.json.
pub fn curves_schema() -> Value {
    schema_of::<CurvesFile>()
}

/// JSON Schema of the file that `T` is written as.
pub fn schema_of<T: JsonSchema>() -> Value {
    let schema: Schema = SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<T>();
    let mut tree = Value::from(schema);
    state_resolutions(&mut tree);
    tree
}

/// Adds "Resolution 0.01." to the description of every property whose name carries a unit.
fn state_resolutions(tree: &mut Value) {
    match tree {
        Value::Array(items) => items.iter_mut().for_each(state_resolutions),
        Value::Object(fields) => {
            if let Some(Value::Object(properties)) = fields.get_mut("properties") {
                for (name, property) in properties.iter_mut() {
                    state_resolution(name, property);
                }
            }
            fields.values_mut().for_each(state_resolutions);
        }
        _ => {}
    }
}

fn state_resolution(name: &str, property: &mut Value) {
    let whole_number = property.get("type").is_some_and(|t| t == "integer");
    let Some(decimals) = decimals_of(name).filter(|_| !whole_number) else { return };
    if let Some(Value::String(text)) = property.get_mut("description") {
        text.push_str(&format!(" Resolution {:.*}.", decimals as usize, 10f64.powi(-decimals)));
    }
}
