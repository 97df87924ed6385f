use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::look::{self, Told};
use crate::ui::Answer;
use serde::Serialize;

/// Tell in one sentence what became of the last manifest on a node
///
/// Reads the node's last SUIT_Report from the server, and the manifest that it is about: which
/// command sequence, which byte, which condition or directive, which part of the node, what was
/// expected and what was found. Changes nothing. The exit code is 1 if it was not carried out.
///
/// Example: pintle node report barn
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The node
    name: String,
}

#[derive(Serialize)]
#[serde(transparent)]
pub(super) struct Telling(pub(super) Told);

impl Answer for Telling {
    fn text(&self) -> String {
        format!("{}\n", self.0.sentence)
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, _, client) = run.all()?;
    let plan = yard.plan_for_card(&args.name)?;
    let view = client.node(&plan.id)?;
    let outcome = view.report.as_ref().and_then(|r| r.outcome.clone());
    let report = client.suit_report(&plan.id)?.map(|(_, bytes)| bytes);
    let subject = report.as_deref().map(look::subject).transpose()?;
    // The report tells more, but it may be about an earlier manifest than the one that ended last;
    // and one that was carried out may still have gone back.
    let wanted = match (&outcome, subject) {
        (Some(outcome), Some(subject)) if outcome.envelope == subject => subject,
        (Some(outcome), _) => outcome.envelope,
        (None, Some(subject)) => subject,
        (None, None) => {
            return Err(CliError::Other {
                message: format!("node {} has not reported on any manifest yet", args.name),
                hint: None,
                exit: Exit::No,
            });
        }
    };
    let envelope = client.envelope(&wanted)?;
    let told = match (&report, &envelope) {
        (Some(report), Some(envelope)) if subject == Some(wanted) => {
            let outcome = outcome.as_ref().filter(|outcome| outcome.envelope == wanted);
            let told =
                look::tell(&yard, &args.name, envelope, report, outcome.map(|outcome| outcome.detail))?;
            match outcome {
                // Carried out, and gone back later; or refused as a whole, which the envelope tells more of.
                Some(outcome) if told.passed || told.section.is_none() => {
                    look::tell_outcome(&yard, &plan, Some(envelope), outcome)
                }
                Some(_) | None => told,
            }
        }
        _ => match &outcome {
            Some(outcome) => look::tell_outcome(&yard, &plan, envelope.as_deref(), outcome),
            None => {
                return Err(CliError::Other {
                    message: format!("the server no longer has the envelope of manifest {wanted}"),
                    hint: Some("look at a copy with `pintle look ENVELOPE --report FILE`".to_owned()),
                    exit: Exit::No,
                });
            }
        },
    };
    let passed = told.passed;
    run.ui.answer(&Telling(told));
    Ok(if passed { Exit::Done } else { Exit::No })
}
