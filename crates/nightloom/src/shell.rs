//! `nightloom completions` and `nightloom manual`: what a shell and its manual want to know of the commands.

use std::path::PathBuf;

use clap::{Args, Command};
use clap_complete::Shell;
use serde_json::{Value, json};

use crate::context::Context;
use crate::failure::Failure;
use crate::out;

/// `nightloom completions`.
#[derive(Args, Debug)]
pub(crate) struct CompletionsArgs {
    /// Whose completions.
    shell: Shell,
}

/// Prints the script that the shell reads; under `--json` as a text.
pub(crate) fn completions(args: &CompletionsArgs, mut program: Command, context: &Context) -> Value {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut program, "nightloom", &mut script);
    let script = String::from_utf8_lossy(&script).into_owned();
    if !context.json {
        out::line(script.trim_end());
    }
    json!({ "shell": args.shell.to_string(), "script": script })
}

/// `nightloom manual`.
#[derive(Args, Debug)]
pub(crate) struct ManualArgs {
    /// The folder for the pages, like ~/.local/share/man/man1.
    folder: PathBuf,
}

/// Writes one page for the program and one for each command.
pub(crate) fn manual(args: &ManualArgs, mut program: Command, context: &Context) -> Result<Value, Failure> {
    std::fs::create_dir_all(&args.folder).map_err(|e| {
        Failure::said(format!(
            "{} cannot be made ({e}); name a folder that may be written to",
            args.folder.display()
        ))
    })?;
    let mut files = Vec::new();
    // Building gives each command its whole name, as nightloom-night.
    program.build();
    let commands: Vec<Command> = program.get_subcommands().cloned().collect();
    for command in std::iter::once(program).chain(commands) {
        let name = command
            .get_display_name()
            .unwrap_or(command.get_name())
            .to_owned();
        let mut page = Vec::new();
        clap_mangen::Man::new(command).render(&mut page).map_err(|e| {
            Failure::said(format!(
                "the page of {name} cannot be made ({e}); please report this"
            ))
        })?;
        let file = args.folder.join(format!("{name}.1"));
        out::write(&file, &page, context.json)?;
        files.push(file);
    }
    Ok(json!({ "files": files }))
}
