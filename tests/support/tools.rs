//! Outside programs that look at our files. A machine without one skips that check and says so;
//! with NIGHTSHEAF_REQUIRE_TOOLS set, a missing program is a failure.

use std::io::{ErrorKind, Write};
use std::process::{Command, Output, Stdio};

/// Runs a program; `None` where the machine has none of that name.
#[allow(clippy::print_stderr, reason = "a skipped check must be seen in the test's output")]
pub(crate) fn run_tool(name: &str, arguments: &[&str], input: &str) -> Option<Output> {
    let spawned =
        Command::new(name).args(arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn();
    let mut child = match spawned {
        Ok(child) => child,
        Err(error) if error.kind() == ErrorKind::NotFound => {
            assert!(std::env::var_os("NIGHTSHEAF_REQUIRE_TOOLS").is_none(), "{name} is required and not installed");
            eprintln!("skipped: {name} is not installed");
            return None;
        }
        Err(error) => panic!("{name} cannot be started: {error}"),
    };
    let mut stdin = child.stdin.take().expect("a pipe was asked for");
    stdin.write_all(input.as_bytes()).expect("the program reads its input");
    drop(stdin);
    Some(child.wait_with_output().expect("the program ends"))
}

/// What a program printed; panics unless it succeeded.
pub(crate) fn printed(output: &Output) -> String {
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "failed with {text}{}", String::from_utf8_lossy(&output.stderr));
    text
}
