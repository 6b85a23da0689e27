//! Lays JSON out for reading: two spaces a level; an object or list without an inner one stays on its line while it is
//! short, and a long list of plain values (beat times) is wrapped instead of taking a line for each.

/// Longest line for an object or list that is kept on one line, characters.
const LINE_CHARS: usize = 110;

/// Compact JSON text, as `serde_json` writes it, laid out for reading, with a line break at the end.
///
/// The tokens and their order stay; only blank space is added. Text that is not JSON comes out laid out as far as it
/// can be, never as a panic.
pub fn pretty(compact: &str) -> String {
    let mut out = String::with_capacity(compact.len() * 3 / 2);
    lay_out(compact, 0, &mut out);
    out.push('\n');
    out
}

/// Splits the inside of an object or list at its own commas.
fn items(inside: &str) -> Vec<&str> {
    let (mut depth, mut in_text, mut escaped, mut from) = (0usize, false, false, 0);
    let mut found = Vec::new();
    for (at, byte) in inside.bytes().enumerate() {
        match byte {
            _ if escaped => escaped = false,
            b'\\' if in_text => escaped = true,
            b'"' => in_text = !in_text,
            b'{' | b'[' if !in_text => depth += 1,
            b'}' | b']' if !in_text => depth = depth.saturating_sub(1),
            b',' if !in_text && depth == 0 => {
                found.push(&inside[from..at]);
                from = at + 1;
            }
            _ => {}
        }
    }
    found.push(&inside[from..]);
    found
}

/// `"key":value` parted after the colon that ends the key; a list item has no key.
fn key_and_value(item: &str, in_object: bool) -> (&str, &str) {
    if !in_object {
        return ("", item);
    }
    let mut escaped = false;
    for (at, byte) in item.bytes().enumerate().skip(1) {
        match byte {
            _ if escaped => escaped = false,
            b'\\' => escaped = true,
            b'"' => return (&item[..=at], item.get(at + 2..).unwrap_or("")),
            _ => {}
        }
    }
    ("", item)
}

fn is_container(value: &str) -> bool {
    value.starts_with(['{', '['])
}

fn lay_out(value: &str, indent: usize, out: &mut String) {
    if !is_container(value) || value.len() <= 2 {
        out.push_str(value);
        return;
    }
    let in_object = value.starts_with('{');
    let parts: Vec<(&str, &str)> = items(value.get(1..value.len() - 1).unwrap_or(""))
        .into_iter()
        .map(|item| key_and_value(item, in_object))
        .collect();
    let flat = !parts.iter().any(|(_, v)| is_container(v) && v.len() > 2);
    let (open, close) = if in_object { ("{", "}") } else { ("[", "]") };
    out.push_str(open);
    if flat && value.len() + parts.len() * 2 + indent * 2 <= LINE_CHARS {
        join_on_a_line(&parts, out);
    } else if flat && !in_object {
        wrap(&parts, indent, out);
    } else {
        one_a_line(&parts, indent, out);
    }
    out.push_str(close);
}

fn push_key(key: &str, out: &mut String) {
    if !key.is_empty() {
        out.push_str(key);
        out.push_str(": ");
    }
}

fn join_on_a_line(parts: &[(&str, &str)], out: &mut String) {
    for (at, (key, value)) in parts.iter().enumerate() {
        if at > 0 {
            out.push_str(", ");
        }
        push_key(key, out);
        out.push_str(value);
    }
}

fn one_a_line(parts: &[(&str, &str)], indent: usize, out: &mut String) {
    for (at, (key, value)) in parts.iter().enumerate() {
        out.push_str(if at > 0 { ",\n" } else { "\n" });
        out.push_str(&"  ".repeat(indent + 1));
        push_key(key, out);
        lay_out(value, indent + 1, out);
    }
    new_line(indent, out);
}

fn wrap(parts: &[(&str, &str)], indent: usize, out: &mut String) {
    let mut used = LINE_CHARS;
    for (at, (_, value)) in parts.iter().enumerate() {
        if at > 0 {
            out.push(',');
        }
        if used + value.len() + 2 > LINE_CHARS {
            new_line(indent + 1, out);
            used = 2 * (indent + 1);
        } else {
            out.push(' ');
            used += 1;
        }
        out.push_str(value);
        used += value.len() + 1;
    }
    new_line(indent, out);
}

fn new_line(indent: usize, out: &mut String) {
    out.push('\n');
    out.push_str(&"  ".repeat(indent));
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    #[test]
    fn layout_keeps_the_data_and_puts_a_measured_value_on_one_line() {
        let data =
            json!({"a": {"value": -9.1, "low": -9.8}, "b": [1, [2, {"c": "x,\"}]\\"}]], "e": {}, "f": [], "g": "é"});
        let text = pretty(&data.to_string());
        assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), data);
        assert!(text.lines().any(|l| l.contains("\"value\": -9.1") && l.contains("\"low\": -9.8")), "{text}");
    }

    #[test]
    fn long_lists_of_numbers_are_wrapped_at_the_line_length() {
        let times: Vec<f64> = (0..500).map(|k| 0.5 * f64::from(k) + 0.123).collect();
        let text = pretty(&json!({ "beat_times_s": times }).to_string());
        assert!(text.lines().count() < 60 && text.lines().all(|l| l.len() <= LINE_CHARS + 2), "{text}");
        assert_eq!(serde_json::from_str::<Value>(&text).unwrap()["beat_times_s"].as_array().unwrap().len(), 500);
    }

    #[test]
    fn text_that_is_not_json_does_not_panic() {
        for broken in ["", "{", "[", "{\"a", "[1,", "{é}", "[\"\\"] {
            assert!(pretty(broken).ends_with('\n'));
        }
    }
}
