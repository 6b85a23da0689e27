//! `ledgerline schema`: the JSON Schemas of the files that this program writes.

use super::{EXIT_ALL_MEASURED, EXIT_NOTHING_DONE, words};
use crate::pipeline;

/// Prints one schema to stdout, or the names; the exit code.
pub fn run(name: Option<&str>) -> u8 {
    let schemas = pipeline::schemas();
    let Some(name) = name else {
        for (known, _) in &schemas {
            println!("{known}");
        }
        return EXIT_ALL_MEASURED;
    };
    match schemas.iter().find(|(known, _)| *known == name) {
        Some((_, schema)) => {
            println!("{schema}");
            EXIT_ALL_MEASURED
        }
        None => {
            let known: Vec<&str> = schemas.iter().map(|(known, _)| *known).collect();
            words::print_error(
                &format!("no schema is named '{name}'"),
                Some(&format!("the names are: {}", known.join(", "))),
            );
            EXIT_NOTHING_DONE
        }
    }
}
