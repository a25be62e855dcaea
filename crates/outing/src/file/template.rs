//! `outing.toml` as it is first written, and the options as a table for the documentation.

use super::options::{FRAME_OPTIONS, OPTIONS, OptionKind, OptionSpec, SECTIONS};

/// A value that could be filled in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Filled {
    /// The section.
    pub section: &'static str,
    /// The key.
    pub key: &'static str,
    /// The value as TOML.
    pub toml: String,
    /// Where it comes from.
    pub from: String,
}

/// The text of a new `outing.toml`: the filled values, everything else as commented lines, and
/// `summary` (one line of plain text per element) as comments under `[frames]`.
pub fn template(filled: &[Filled], summary: &[String]) -> String {
    let mut out = String::from(
        "# The settings of one outing. Lines that begin with # are off; take the # away to use them.\n\
         # Every number's unit is the end of its name.\n",
    );
    for (section, about) in SECTIONS {
        out.push_str(&format!("\n# {about}\n[{section}]\n"));
        for option in OPTIONS.iter().filter(|o| o.section == *section) {
            out.push_str(&lines_of(option, filled));
        }
        if *section == "frames" {
            out.push_str(&frames_part(summary));
        }
    }
    out
}

fn lines_of(option: &OptionSpec, filled: &[Filled]) -> String {
    let (key, help) = (option.key, option.help);
    let given = filled
        .iter()
        .find(|f| f.section == option.section && f.key == key);
    let about = match option.kind {
        OptionKind::Text | OptionKind::Frame | OptionKind::File => help.to_owned(),
        kind => format!("{help} Expects {}.", kind.expected()),
    };
    match (given, option.default) {
        (Some(f), _) => format!("# {about}\n{key} = {}  # {}\n", f.toml, f.from),
        (None, Some(default)) => format!("# {about}\n# {key} = {default}\n"),
        (None, None) => format!("# {about}\n# {key} = {}\n", option.example),
    }
}

fn frames_part(summary: &[String]) -> String {
    let mut out = String::new();
    for line in summary {
        out.push_str(&format!("# {}\n", line.replace('\n', " ")));
    }
    for option in FRAME_OPTIONS {
        out.push_str(&format!(
            "# {}: {} Expects {}.\n",
            option.key,
            option.help,
            option.kind.expected()
        ));
    }
    out.push_str("# \"sky/IMG_0007.DNG\" = { role = \"land\", use = true }\n");
    out
}

/// All options as Markdown.
pub fn markdown() -> String {
    let mut out = String::from("# The options of `outing.toml`\n");
    for (section, about) in SECTIONS {
        out.push_str(&format!(
            "\n## `[{section}]`\n\n{about}\n\n| key | expects | default | what it does |\n|---|---|---|---|\n"
        ));
        let rows = OPTIONS.iter().filter(|o| o.section == *section);
        let frames = FRAME_OPTIONS.iter().filter(|_| *section == "frames");
        for o in rows.chain(frames) {
            let default = o.default.map_or("none".into(), |d| format!("`{d}`"));
            out.push_str(&format!(
                "| `{}` | {} | {default} | {} |\n",
                o.key,
                o.kind.expected(),
                o.help
            ));
        }
    }
    out
}
