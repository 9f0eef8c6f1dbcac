//! The pages of the demonstration, for somebody at this machine, until they have seen enough.

use wickline_forward::receive::Receiver;

use crate::acts::people::PersonRole;
use crate::cli::Failure;
use crate::cli::output::Output;
use crate::console::Console;
use crate::store::ledger::Ledger;
use crate::store::trail::Actor;

/// Who is let in: the demonstration has one person.
const NAME: &str = "Demo Keeper";

/// Lets one person in and says how, then answers as the receiver does until Ctrl-C.
pub async fn until_stopped(
    ledger: &Ledger,
    console: &Console,
    receiver: &mut Receiver,
    out: &Output,
) -> Result<(), Failure> {
    let actor = Actor::person(None);
    let code = match ledger.person(NAME).await? {
        Some(_) => ledger.person_code(&actor, NAME).await?,
        None => ledger.person_add(&actor, NAME, PersonRole::Keeper).await?,
    };
    let address = console.shown().console.unwrap_or_default();
    if out.json {
        out.document(&serde_json::json!({"console": address, "code": code.text()}))?;
    }
    out.line("");
    out.line(&format!(
        "Its pages: http://{address}/first with this code, good once within 30 minutes: {}",
        code.text()
    ));
    out.line(&format!(
        "You are {NAME} there. What you release or identify goes to the practice receiver. Ctrl-C ends it."
    ));
    loop {
        tokio::select! {
            ended = tokio::signal::ctrl_c() => return Ok(ended?),
            message = receiver.next() => {
                if let Some(message) = message {
                    out.line(&format!("lis      {}", message.control_id));
                }
            }
        }
    }
}
