//! Brings files of earlier versions to the present one: a chain of pure steps, each from one version to the next.
//!
//! Conventions: step `k` takes a tree of version `k + 1` to version `k + 2`; every released version keeps a stored file
//! among the tests for ever. Only version 1 exists so far, so the chains of all our files are empty.

use serde_json::Value;

/// One step: a tree of one version becomes a tree of the next.
pub type Step = fn(Value) -> Value;

/// First version of every file of ours.
pub const FIRST_VERSION: u32 = 1;

/// Steps of report.json.
pub const REPORT_STEPS: &[Step] = &[];
/// Steps of curves.json.
pub const CURVES_STEPS: &[Step] = &[];
/// Steps of season.json.
pub const SEASON_STEPS: &[Step] = &[];

/// Takes `tree` from version `from` to the version after the last of `steps`, and writes that version into its schema.
pub fn migrate(tree: Value, from: u32, steps: &[Step]) -> Value {
    let done = (from.saturating_sub(FIRST_VERSION)) as usize;
    let mut tree = steps.iter().skip(done).fold(tree, |tree, step| step(tree));
    if let Some(version) = tree.pointer_mut("/schema/version") {
        *version = Value::from(FIRST_VERSION + steps.len() as u32);
    }
    tree
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn rename(mut tree: Value, from: &str, to: &str) -> Value {
        if let Some(old) = tree.as_object_mut().and_then(|o| o.remove(from)) {
            tree[to] = old;
        }
        tree
    }

    const STEPS: &[Step] = &[|t| rename(t, "a", "b"), |t| rename(t, "b", "c")];

    #[test]
    fn a_file_walks_only_the_steps_after_its_own_version() {
        let first = json!({"schema": {"version": 1}, "a": 7});
        let second = json!({"schema": {"version": 2}, "b": 7});
        let third = json!({"schema": {"version": 3}, "c": 7});
        assert_eq!(migrate(first, 1, STEPS), third);
        assert_eq!(migrate(second, 2, STEPS), third);
        assert_eq!(migrate(third.clone(), 3, STEPS), third);
    }
}
