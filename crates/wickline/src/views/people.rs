//! Who may use the console, as programs see it.

use serde_json::{Value, json};

use crate::acts::people::Person;
use crate::acts::tokens::Token;
use crate::clock::SiteClock;

/// Everybody, by name, and the programs that may ask.
#[must_use]
pub fn document(people: &[Person], tokens: &[Token], clock: &SiteClock) -> Value {
    let items: Vec<Value> = people.iter().map(|one| item(one, clock)).collect();
    let programs: Vec<Value> = tokens.iter().map(|one| program(one, clock)).collect();
    json!({"items": items, "programs": programs})
}

fn program(one: &Token, clock: &SiteClock) -> Value {
    json!({
        "name": one.name,
        "role": one.role,
        "since": clock.rfc3339(one.since),
        "last_asked": one.seen_at.map(|at| clock.rfc3339(at)),
    })
}

fn item(one: &Person, clock: &SiteClock) -> Value {
    json!({
        "name": one.name,
        "role": one.role,
        "since": clock.rfc3339(one.since),
        "has_password": one.secret.is_some(),
        "has_badge": one.badge.is_some(),
        "code_until": one.code_until.map(|at| clock.rfc3339(at)),
        "last_signed_in": one.seen_at.map(|at| clock.rfc3339(at)),
    })
}
