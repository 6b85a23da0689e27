//! Rounds a whole file to the stated resolution before it is written, and keeps numbers that are none out of it.
//!
//! Conventions: values round to nearest; the ends of a 95 % interval round outwards, so that rounding never lets the
//! truth slip out. Rounding twice changes nothing. Never -0.0, NaN or infinity: a measured value that is not finite
//! becomes absent (`not_finite`); any other number that must be there and is not finite is an error.

use std::collections::BTreeMap;

use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::value::RawValue;
use serde_json::{Map, Value};

use super::resolution::{DECIMALS_OTHERWISE, decimals_of, decimals_of_path};

/// Guards `floor` and `ceil` against the last binary digit, and ties, which so round away from zero wherever their last digit lies:
/// a hundred-thousandth of a step.
const SLACK: f64 = 1e-5;

/// `data` with every number at its resolution.
///
/// # Errors
/// When a number that may not be null is NaN or infinite (it has no place in JSON).
pub fn rounded<T: Serialize + DeserializeOwned>(data: &T) -> Result<T, serde_json::Error> {
    let text = serde_json::to_string(data)?;
    let mut out = Vec::with_capacity(text.len());
    round_text(&text, None, &mut out)?;
    drop(text);
    serde_json::from_slice(&out)
}

/// Text of this length or less is rounded as a tree, bytes; a tree takes some twenty times the room of its text, so that of a
/// whole long tape would be the largest thing in the program.
const LARGEST_TREE: usize = 1 << 16;

/// Appends the JSON text with every number at its resolution. No single measured value is longer than [`LARGEST_TREE`].
fn round_text(text: &str, decimals: Option<i32>, out: &mut Vec<u8>) -> Result<(), serde_json::Error> {
    if text.len() <= LARGEST_TREE || !text.starts_with(['[', '{']) {
        let mut tree: Value = serde_json::from_str(text)?;
        round_tree(&mut tree, decimals);
        return serde_json::to_writer(out, &tree);
    }
    if text.starts_with('[') {
        let items: Vec<&RawValue> = serde_json::from_str(text)?;
        for (at, item) in items.iter().enumerate() {
            out.push(if at == 0 { b'[' } else { b',' });
            round_text(item.get(), decimals, out)?;
        }
        out.push(b']');
        return Ok(());
    }
    let fields: BTreeMap<String, &RawValue> = serde_json::from_str(text)?;
    let measure = fields.get("measure").and_then(|raw| serde_json::from_str::<String>(raw.get()).ok());
    let inherited = measure.as_deref().and_then(decimals_of_path).or(decimals);
    for (at, (name, field)) in fields.iter().enumerate() {
        out.push(if at == 0 { b'{' } else { b',' });
        serde_json::to_writer(&mut *out, name)?;
        out.push(b':');
        round_text(field.get(), decimals_for(name, inherited), out)?;
    }
    out.push(b'}');
    Ok(())
}

/// Paths of numbers in `tree` that no row of the resolution tables covers.
pub fn without_resolution(tree: &Value) -> Vec<String> {
    let mut found = Vec::new();
    collect_unlisted(tree, None, "", &mut found);
    found
}

fn round_tree(tree: &mut Value, decimals: Option<i32>) {
    match tree {
        Value::Number(n) if n.is_f64() => {
            let x = n.as_f64().unwrap_or(0.0);
            *tree = Value::from(round_nearest(x, decimals.unwrap_or(DECIMALS_OTHERWISE)));
        }
        Value::Array(items) => items.iter_mut().for_each(|item| round_tree(item, decimals)),
        Value::Object(fields) => {
            let inherited = own_measure(fields).or(decimals);
            if is_measured(fields) {
                round_measured(fields, inherited.unwrap_or(DECIMALS_OTHERWISE));
            } else {
                for (name, field) in fields.iter_mut() {
                    round_tree(field, decimals_for(name, inherited));
                }
            }
        }
        _ => {}
    }
}

/// Decimals of the measure that an object names itself (evidence, trends).
fn own_measure(fields: &Map<String, Value>) -> Option<i32> {
    fields.get("measure").and_then(Value::as_str).and_then(decimals_of_path)
}

/// A slope a week takes one decimal more than its measure; every other field goes by its own name first.
fn decimals_for(name: &str, inherited: Option<i32>) -> Option<i32> {
    match (name, inherited) {
        ("slope_per_week", Some(d)) => Some(d + 1),
        _ => decimals_of(name).or(inherited),
    }
}

fn is_measured(fields: &Map<String, Value>) -> bool {
    let known = ["value", "low", "high", "n", "reason", "warnings"];
    fields.contains_key("value") && fields.keys().all(|k| known.contains(&k.as_str()))
}

fn round_measured(fields: &mut Map<String, Value>, decimals: i32) {
    let was = |fields: &Map<String, Value>, name: &str| fields.get(name).and_then(Value::as_f64);
    if fields.get("value").is_some_and(Value::is_null) {
        // Nothing to say carries nothing but its reason; a NaN arrives here as null without one.
        for name in ["low", "high", "n"] {
            fields.remove(name);
        }
        fields.entry("reason").or_insert_with(|| Value::from("not_finite"));
        return;
    }
    let ends = ["low", "high"].map(|name| fields.get(name).is_some_and(Value::is_null));
    if ends.contains(&true) {
        fields.remove("low");
        fields.remove("high");
        let warnings = fields.entry("warnings").or_insert_with(|| Value::Array(Vec::new()));
        if let Value::Array(list) = warnings {
            list.push(Value::from("interval_not_finite"));
        }
    }
    for (name, round) in [("value", round_nearest as fn(f64, i32) -> f64), ("low", round_down), ("high", round_up)] {
        if fields.get(name).is_some_and(Value::is_f64)
            && let Some(x) = was(fields, name)
        {
            fields.insert(name.to_owned(), Value::from(round(x, decimals)));
        }
    }
}

/// Adding 0.0 turns -0.0 into 0.0. A number too large to be scaled is left as it is.
fn scaled(x: f64, decimals: i32, round: fn(f64) -> f64) -> f64 {
    let scale = 10f64.powi(decimals);
    let steps = x * scale;
    if steps.is_finite() { round(steps) / scale + 0.0 } else { x }
}

fn round_nearest(x: f64, decimals: i32) -> f64 {
    scaled(x, decimals, |steps| (steps + SLACK.copysign(steps)).round())
}

fn round_down(x: f64, decimals: i32) -> f64 {
    scaled(x, decimals, |steps| (steps + SLACK).floor())
}

fn round_up(x: f64, decimals: i32) -> f64 {
    scaled(x, decimals, |steps| (steps - SLACK).ceil())
}

fn collect_unlisted(tree: &Value, decimals: Option<i32>, path: &str, found: &mut Vec<String>) {
    match tree {
        Value::Number(n) if n.is_f64() && decimals.is_none() => found.push(path.to_owned()),
        Value::Array(items) => items.iter().for_each(|item| collect_unlisted(item, decimals, path, found)),
        Value::Object(fields) => {
            let inherited = own_measure(fields).or(decimals);
            for (name, field) in fields {
                collect_unlisted(field, decimals_for(name, inherited), &format!("{path}/{name}"), found);
            }
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn round(mut tree: Value) -> Value {
        round_tree(&mut tree, None);
        tree
    }

    #[test]
    fn interval_ends_round_outwards_and_rounding_twice_changes_nothing() {
        let once = round(json!({"bass_cents": {"value": -9.14, "low": -9.81, "high": -8.49, "n": 152}}));
        assert_eq!(once, json!({"bass_cents": {"value": -9.1, "low": -9.9, "high": -8.4, "n": 152}}));
        assert_eq!(round(once.clone()), once);
    }

    #[test]
    fn a_tie_rounds_away_from_zero_whatever_its_last_binary_digit() {
        for x in [2.345f64, 2.345f64.next_down(), 2.345f64.next_up()] {
            assert_eq!(round(json!({"x_db": x})), json!({"x_db": 2.35}), "{x}");
            assert_eq!(round(json!({"x_db": -x})), json!({"x_db": -2.35}), "{x}");
        }
        assert_eq!(round(json!({"x_db": 2.3449})), json!({"x_db": 2.34}));
    }

    #[test]
    fn minus_zero_is_written_as_zero() {
        assert_eq!(round(json!({"x_db": -0.001})).to_string(), r#"{"x_db":0.0}"#);
        assert_eq!(round(json!({"x_db": {"value": -0.0, "low": -0.0, "high": 0.0}}))["x_db"]["low"].to_string(), "0.0");
    }

    #[test]
    fn a_measured_value_that_is_not_finite_becomes_absent_and_an_interval_without_ends_is_dropped() {
        let nan = round(json!({"x_db": {"value": f64::NAN, "low": 0.0, "high": 1.0, "n": 3}}));
        assert_eq!(nan, json!({"x_db": {"value": null, "reason": "not_finite"}}));
        let open = round(json!({"x_db": {"value": 1.0, "low": f64::NEG_INFINITY, "high": 1.0, "n": 3}}));
        assert_eq!(open, json!({"x_db": {"value": 1.0, "n": 3, "warnings": ["interval_not_finite"]}}));
    }

    #[test]
    fn names_without_a_unit_take_the_resolution_around_them_or_of_their_measure() {
        assert_eq!(round(json!({"layers_lufs": {"bass": [-20.12345]}})), json!({"layers_lufs": {"bass": [-20.12]}}));
        let evidence = json!({"measure": "tuning.instruments.bass.at_end_cents", "threshold": 5.26, "start_s": 1.234});
        let rounded = json!({"measure": "tuning.instruments.bass.at_end_cents", "threshold": 5.3, "start_s": 1.23});
        assert_eq!(round(evidence), rounded);
    }

    #[test]
    fn a_long_text_is_rounded_like_a_short_one() {
        let part = json!({
            "measure": "tuning.instruments.bass.at_end_cents", "threshold": 5.26, "x_db": {"value": -9.149, "low": -9.81, "high": -8.4},
            "curve_cents": (0..40).map(|i| if i % 7 == 0 { Value::Null } else { json!(f64::from(i) * 1.2345) }).collect::<Vec<_>>(),
            "none_db": {"value": null, "reason": "a \"reason\""},
        });
        let long =
            json!({"takes": vec![part; 400], "layers_lufs": {"bass": vec![-20.12345; 20_000]}, "n": 3, "why\"": "x"});
        assert!(long.to_string().len() > 4 * LARGEST_TREE);
        assert_eq!(rounded(&long).unwrap(), round(long));
    }
}
