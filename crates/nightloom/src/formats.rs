//! `nightloom formats`.

use nightloom_raster::{Evidence, INPUT_FORMATS};
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;

pub(crate) fn run(context: &Context) -> Result<Value, Failure> {
    for format in INPUT_FORMATS {
        let line = format!(
            "{:<14} {:<60} {}",
            format.name,
            format.evidence.words(),
            format.note
        );
        out::result(&line, context.json);
    }
    if INPUT_FORMATS.iter().all(|f| f.evidence != Evidence::WholeFile) {
        let none = "No format has been tried on a camera's whole file in the tests: look at the first frame that you read.";
        out::result(none, context.json);
    }
    Ok(json!({ "formats": INPUT_FORMATS }))
}
