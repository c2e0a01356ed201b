//! The command line: flags become settings, settings go into one library call, results become text and exit codes.

mod check;
mod exit;
mod init;
mod offers;
mod out;
mod progress;
#[cfg(feature = "review")]
mod review;
mod run;
mod stack;
mod synth;
mod thresholds;
mod why;

use std::process::ExitCode;

use clap::{Args, CommandFactory, Parser, Subcommand};

use exit::Failure;

/// Turns resting-state MRI runs of children who move into connectivity matrices, with a retained-data report for each
/// child.
///
/// Research software: not for diagnosis. An odd finding goes to a licensed clinician under the site's rules.
#[derive(Debug, Parser)]
#[command(
    name = "keepstill",
    version,
    max_term_width = 100,
    after_help = "Examples:
  keepstill init DATA -o study.toml     look through a folder, write a study file
  keepstill check study.toml            list every problem before the night
  keepstill run study.toml              do the cohort; run it again to go on
  keepstill thresholds study.toml       what would other motion limits keep?
  keepstill review results --open       look at each child and decide
  keepstill why results sub-03 41       why was frame 41 dropped?
  keepstill stack results               arrays and tables for group statistics

Exit codes: 0 all done; 1 nothing could be done; 2 wrong usage; 3 some scans failed; 130 interrupted."
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    common: Common,
}

/// Flags that every command takes.
#[derive(Debug, Clone, Args)]
struct Common {
    /// Print only problems and the result.
    #[arg(short, long, global = true)]
    quiet: bool,
    /// Print more.
    #[arg(short, long, global = true, conflicts_with = "quiet")]
    verbose: bool,
    /// Print the result as JSON on standard output.
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum Command {
    Init(init::Init),
    Check(check::Check),
    Run(run::Run),
    Thresholds(thresholds::Thresholds),
    #[cfg(feature = "review")]
    Review(review::Review),
    Why(why::Why),
    Stack(Box<stack::Stack>),
    Synth(synth::Synth),
    /// Write shell completions to standard output.
    #[command(
        after_help = "Example:\n  keepstill completions bash > ~/.local/share/bash-completion/completions/keepstill"
    )]
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
}

/// Parses the command line, runs the command, and turns its outcome into an exit code.
pub(crate) fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Help and version are asked for, all else is wrong usage; a closed pipe is no error.
            let _ = error.print();
            return ExitCode::from(u8::try_from(error.exit_code()).unwrap_or(exit::WRONG_USAGE));
        }
    };
    let done = match &cli.command {
        Command::Init(init) => init::main(init, &cli.common),
        Command::Check(check) => check::main(check, &cli.common),
        Command::Run(run) => run::main(run, &cli.common),
        Command::Thresholds(thresholds) => thresholds::main(thresholds, &cli.common),
        #[cfg(feature = "review")]
        Command::Review(review) => review::main(review, &cli.common),
        Command::Why(why) => why::main(why, &cli.common),
        Command::Stack(stack) => stack::main(stack, &cli.common),
        Command::Synth(synth) => synth::main(synth, &cli.common),
        Command::Completions { shell } => {
            let mut script = Vec::new();
            clap_complete::generate(*shell, &mut Cli::command(), "keepstill", &mut script);
            out::text(&String::from_utf8_lossy(&script)).map(|()| exit::ALL_DONE)
        }
    };
    match done {
        Ok(code) => ExitCode::from(code),
        Err(Failure { code, message }) => {
            out::complain(&message);
            ExitCode::from(code)
        }
    }
}
