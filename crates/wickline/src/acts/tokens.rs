//! Programs that may ask the console: let in under a role, and let in no more. What a program keeps is here as its
//! digest alone.

use super::facts::refused;
use super::people::{checked, folded, key};
use crate::clock;
use crate::digest;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::person::PersonRole;
use crate::store::rows::token;
pub use crate::store::rows::token::Token;
use crate::store::trail::{Act, Actor, record};
use crate::texts::{Said, say, way};

/// How often it is noted that one asked.
const NOTED_US: i64 = 60_000_000;

impl Ledger {
    /// Every program that may ask, by name.
    pub async fn tokens(&self) -> Result<Vec<Token>, StoreError> {
        let mut conn = self.db.read().await?;
        let all = token::all(&mut conn).await?;
        self.db.give_back(conn).await;
        Ok(all)
    }

    /// Lets a program in: the key that it keeps.
    pub async fn token_add(
        &self,
        actor: &Actor,
        name: &str,
        role: PersonRole,
    ) -> Result<String, StoreError> {
        let (name, key, since) = (checked(name)?, key()?, clock::now_us());
        let (folded, mark) = (folded(&name), digest::of(&key));
        let mut write = self.act().await?;
        let all = token::all(write.conn()).await?;
        if let Some(there) = all.iter().find(|one| one.folded == folded) {
            return Err(refused(say!(
                "no.token_there",
                name = &there.name,
                role = Said::code("role", there.role.code())
            )));
        }
        let one = Token { name, folded, mark, role, since, seen_at: None };
        token::add(&mut write, &one).await?;
        record(&mut write, actor, of("token-add", &one, None, Some(role.code().to_owned())))
            .await?;
        write.commit().await?;
        Ok(key)
    }

    /// Lets a program in no more.
    pub async fn token_remove(&self, actor: &Actor, name: &str) -> Result<(), StoreError> {
        let folded = folded(name);
        let mut write = self.act().await?;
        let all = token::all(write.conn()).await?;
        let Some(one) = all.iter().find(|one| one.folded == folded) else {
            return Err(refused(say!("no.token").then(": ").then(way!("tokens"))));
        };
        token::remove(&mut write, &folded).await?;
        let was = Some(one.role.code().to_owned());
        record(&mut write, actor, of("token-remove", one, was, None)).await?;
        write.commit().await
    }

    /// The program that keeps a key. That it asked is noted now and then.
    pub async fn token(&self, key: &str) -> Result<Option<Token>, StoreError> {
        let (mark, now) = (digest::of(key), clock::now_us());
        let mut conn = self.db.read().await?;
        let found = token::marked(&mut conn, &mark).await?;
        self.db.give_back(conn).await;
        let stale = |one: &Token| one.seen_at.is_none_or(|seen| now - seen >= NOTED_US);
        if found.as_ref().is_some_and(stale) {
            let mut write = self.db.write().await?;
            token::seen(&mut write, &mark, now).await?;
            write.commit().await?;
        }
        Ok(found)
    }
}

fn of(verb: &'static str, one: &Token, was: Option<String>, became: Option<String>) -> Act {
    Act { verb, object: format!("token {}", one.name), reason: None, was, became }
}
