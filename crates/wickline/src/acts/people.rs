//! Who may use the console: put in, given a role, a one-time code or a password, taken out; and who is signed in.
//!
//! What a person or a browser keeps (a code, the key of a session) is here as its digest alone. A password is proved by
//! whoever asked for it: here stands what proves it.

use unicode_normalization::UnicodeNormalization;

use super::facts::refused;
use crate::clock;
use crate::digest;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era;
use crate::store::ledger::Ledger;
use crate::store::rows::person;
pub use crate::store::rows::person::{Person, PersonRole, Session};
use crate::store::trail::{Act, Actor, record};
use crate::texts::{Said, say, way};

/// Characters of a name at most.
const LONGEST: usize = 60;
/// How long a one-time code may be used.
pub const CODE_US: i64 = 30 * 60 * 1_000_000;
/// What a code is written with: no letter that is read as a digit or as another (0 O, 1 I L). With 8 of 31 there are
/// 8.5 * 10^11, and a wrong one costs the address that tries it its tries.
const LETTERS: &[u8; 31] = b"23456789ABCDEFGHJKMNPQRSTUVWXYZ";
/// A session ends so long after it began, whatever happens in it.
pub const LONGEST_SESSION_US: i64 = 12 * 3_600 * 1_000_000;

impl Session {
    /// Whether somebody is still in it.
    fn lives(&self, now: i64, idle: i64) -> bool {
        now - self.seen_at < idle && now - self.began_at < LONGEST_SESSION_US
    }
}

/// How often it is noted that somebody is there.
const NOTED_US: i64 = 60_000_000;

/// A code that is shown once: `K7TM-2QXF`.
pub struct Code(String);

impl Code {
    fn draw() -> Result<Self, StoreError> {
        let mut text = letters(8)?;
        text.insert(4, '-');
        Ok(Self(text))
    }

    /// As it is shown.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.0
    }
}

/// So many letters of which no two are taken for each other, drawn at random.
pub(super) fn letters(many: usize) -> Result<String, StoreError> {
    let mut text = String::new();
    // A byte that would make some letters likelier than others is passed over.
    while text.len() < many {
        for byte in era::random()?.into_iter().filter(|byte| usize::from(*byte) < 8 * 31) {
            text.push(char::from(LETTERS[usize::from(byte) % 31]));
        }
    }
    text.truncate(many);
    Ok(text)
}

/// The digest of a code as a person types it, or a scanner of which somebody turned the letters.
pub(super) fn typed(code: &str) -> String {
    let plain = code.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase());
    digest::of(&plain.collect::<String>())
}

/// A key for a browser: 32 random bytes in hexadecimal digits.
pub fn key() -> Result<String, StoreError> {
    Ok(digest::hex(&era::random()?))
}

/// A name without what people do not tell apart: case, width, space.
#[must_use]
pub fn folded(name: &str) -> String {
    let plain: String = name.nfkc().flat_map(char::to_lowercase).collect();
    plain.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A name as it stands in the trail, or why it cannot.
pub(super) fn checked(name: &str) -> Result<String, StoreError> {
    let name: String = name.nfc().collect();
    let fits = (1..=LONGEST).contains(&name.chars().count()) && name.trim() == name;
    // Marks that turn the direction of what follows are no part of a name.
    let odd = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
    };
    if fits && !name.chars().any(odd) && name.chars().any(char::is_alphabetic) {
        return Ok(name);
    }
    Err(refused(say!("no.name", most = LONGEST)))
}

impl Ledger {
    /// Everybody, by name.
    pub async fn people(&self) -> Result<Vec<Person>, StoreError> {
        let mut conn = self.db.read().await?;
        let all = person::all(&mut conn).await?;
        self.db.give_back(conn).await;
        Ok(all)
    }

    /// One of them, by the name as it is typed.
    pub async fn person(&self, name: &str) -> Result<Option<Person>, StoreError> {
        let mut conn = self.db.read().await?;
        let one = person::one(&mut conn, &folded(name)).await?;
        self.db.give_back(conn).await;
        Ok(one)
    }

    /// Puts somebody in. The code with which they choose a password.
    pub async fn person_add(
        &self,
        actor: &Actor,
        name: &str,
        role: PersonRole,
    ) -> Result<Code, StoreError> {
        let (name, code, now) = (checked(name)?, Code::draw()?, clock::now_us());
        let mut write = self.act().await?;
        let folded = folded(&name);
        if let Some(there) = person::one(write.conn(), &folded).await? {
            return Err(refused(say!(
                "no.person_there",
                name = &there.name,
                role = Said::code("role", there.role.code())
            )));
        }
        let choices = "{}".to_owned();
        let (secret, code_until, seen_at) = (None, None, None);
        let (badge, pin, since) = (None, None, now);
        let one =
            Person { name, folded, role, since, secret, code_until, seen_at, choices, badge, pin };
        person::add(&mut write, &one).await?;
        person::set_code(&mut write, &one.folded, &typed(code.text()), now + CODE_US).await?;
        let became = Some(role.code().to_owned());
        record(&mut write, actor, of("person-add", &one, None, became)).await?;
        write.commit().await?;
        Ok(code)
    }

    /// Gives somebody another role; whoever is signed in goes on under it.
    pub async fn person_role(
        &self,
        actor: &Actor,
        name: &str,
        role: PersonRole,
    ) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        let one = known(&mut write, name).await?;
        if one.role == role {
            return Err(refused(say!(
                "no.role_already",
                name = &one.name,
                role = Said::code("role", role.code())
            )));
        }
        if one.role == PersonRole::Keeper {
            not_the_last(&mut write, &one).await?;
        }
        person::set_role(&mut write, &one.folded, role).await?;
        let (was, became) = (Some(one.role.code().to_owned()), Some(role.code().to_owned()));
        record(&mut write, actor, of("person-role", &one, was, became)).await?;
        write.commit().await
    }

    /// Gives somebody a new one-time code: password and badge count no more, and whoever is signed in is out.
    pub async fn person_code(&self, actor: &Actor, name: &str) -> Result<Code, StoreError> {
        let code = Code::draw()?;
        let mut write = self.act().await?;
        let one = known(&mut write, name).await?;
        person::leave_all(&mut write, &one.folded).await?;
        let until = clock::now_us() + CODE_US;
        person::set_code(&mut write, &one.folded, &typed(code.text()), until).await?;
        let became = Some(say!("kept.code").to_string());
        record(&mut write, actor, of("person-code", &one, None, became)).await?;
        write.commit().await?;
        Ok(code)
    }

    /// Takes somebody out, and ends their sessions. What they did stays in the trail.
    pub async fn person_remove(&self, actor: &Actor, name: &str) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        let one = known(&mut write, name).await?;
        if one.role == PersonRole::Keeper {
            not_the_last(&mut write, &one).await?;
        }
        person::remove(&mut write, &one.folded).await?;
        let was = Some(one.role.code().to_owned());
        record(&mut write, actor, of("person-remove", &one, was, None)).await?;
        write.commit().await
    }

    /// Whose a one-time code is, while it may be used.
    pub async fn person_with_code(&self, code: &str) -> Result<Option<Person>, StoreError> {
        let mut conn = self.db.read().await?;
        let one = person::with_code(&mut conn, &typed(code)).await?;
        self.db.give_back(conn).await;
        Ok(one.filter(|one| one.code_until.is_some_and(|until| clock::now_us() < until)))
    }

    /// Uses up a one-time code: from now on the password counts that `secret` proves. None: the code is no longer good.
    pub async fn person_redeem(
        &self,
        code: &str,
        secret: &str,
    ) -> Result<Option<Person>, StoreError> {
        let mut write = self.act().await?;
        let found = person::with_code(write.conn(), &typed(code)).await?;
        let now = clock::now_us();
        let good = |one: &Person| one.code_until.is_some_and(|until| now < until);
        let Some(one) = found.filter(good) else { return Ok(None) };
        person::set_secret(&mut write, &one.folded, secret).await?;
        let became = Some(say!("kept.password").to_string());
        record(&mut write, &at_console(&one), of("person-password", &one, None, became)).await?;
        write.commit().await?;
        Ok(Some(one))
    }

    /// Somebody who proved the password before gets another one; the other sessions end.
    pub async fn person_password(
        &self,
        one: &Person,
        secret: &str,
        mark: &str,
    ) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        person::set_secret(&mut write, &one.folded, secret).await?;
        person::leave_others(&mut write, &one.folded, mark).await?;
        let became = Some(say!("kept.other_password").to_string());
        record(&mut write, &at_console(one), of("person-password", one, None, became)).await?;
        write.commit().await
    }

    /// What somebody chose for the eyes and hands: not an act, and not in the trail.
    pub async fn person_choices(&self, one: &Person, choices: &str) -> Result<(), StoreError> {
        let mut write = self.db.write().await?;
        person::set_choices(&mut write, &one.folded, choices).await?;
        write.commit().await
    }

    /// Begins a session: the key that the browser keeps.
    pub async fn session_begin(&self, one: &Person, by_badge: bool) -> Result<String, StoreError> {
        let (key, now) = (key()?, clock::now_us());
        let mark = digest::of(&key);
        let session = Session { mark, began_at: now, seen_at: now, proved_at: now, by_badge };
        let mut write = self.db.write().await?;
        let ended = now - LONGEST_SESSION_US;
        person::come(&mut write, &one.folded, &session, ended).await?;
        write.commit().await?;
        Ok(key)
    }

    /// The session of a key, where it has not ended: nobody was seen in it for `idle` microseconds, or it is too old. A
    /// clock that was set back ends none and prolongs none beyond its sum.
    pub async fn session(
        &self,
        key: &str,
        idle: i64,
    ) -> Result<Option<(Person, Session)>, StoreError> {
        self.session_marked(&digest::of(key), idle).await
    }

    /// The same by what is kept of the key.
    pub async fn session_marked(
        &self,
        mark: &str,
        idle: i64,
    ) -> Result<Option<(Person, Session)>, StoreError> {
        let now = clock::now_us();
        let mut conn = self.db.read().await?;
        let found = person::session(&mut conn, mark).await?;
        self.db.give_back(conn).await;
        Ok(found.filter(|(_, session)| session.lives(now, idle)))
    }

    /// Notes that a person did something in a session, now and then; each time where the password was given.
    pub async fn session_seen(&self, session: &Session, proved: bool) -> Result<(), StoreError> {
        let now = clock::now_us();
        if !proved && now - session.seen_at < NOTED_US {
            return Ok(());
        }
        let mut write = self.db.write().await?;
        person::seen(&mut write, &session.mark, now, proved).await?;
        write.commit().await
    }

    /// The sessions of one person that have not ended by themselves, the latest first.
    pub async fn sessions(&self, one: &Person, idle: i64) -> Result<Vec<Session>, StoreError> {
        let now = clock::now_us();
        let mut conn = self.db.read().await?;
        let all = person::sessions(&mut conn, &one.folded).await?;
        self.db.give_back(conn).await;
        Ok(all.into_iter().filter(|session| session.lives(now, idle)).collect())
    }

    /// Ends every session of one person but this one: who left a bench without leaving ends it from another.
    pub async fn sessions_end_others(&self, one: &Person, mark: &str) -> Result<(), StoreError> {
        let mut write = self.db.write().await?;
        person::leave_others(&mut write, &one.folded, mark).await?;
        write.commit().await
    }

    /// Ends a session, by the digest of its key.
    pub async fn session_end(&self, mark: &str) -> Result<(), StoreError> {
        let mut write = self.db.write().await?;
        person::leave(&mut write, mark).await?;
        write.commit().await
    }
}

/// Somebody at the console, for the trail.
#[must_use]
pub fn at_console(one: &Person) -> Actor {
    Actor { name: one.name.clone(), login: "console".into() }
}

pub(super) fn of(
    verb: &'static str,
    one: &Person,
    was: Option<String>,
    became: Option<String>,
) -> Act {
    Act { verb, object: format!("person {}", one.name), reason: None, was, became }
}

pub(super) async fn known(write: &mut Write, name: &str) -> Result<Person, StoreError> {
    let found = person::one(write.conn(), &folded(name)).await?;
    found.ok_or_else(|| refused(say!("no.person").then(": ").then(way!("people"))))
}

/// Somebody must be left who can let others in.
async fn not_the_last(write: &mut Write, one: &Person) -> Result<(), StoreError> {
    let all = person::all(write.conn()).await?;
    let other = |p: &&Person| p.role == PersonRole::Keeper && p.folded != one.folded;
    match all.iter().find(other) {
        Some(_) => Ok(()),
        None => Err(refused(say!("no.last_keeper", name = &one.name))),
    }
}
