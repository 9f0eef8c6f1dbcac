//! An alarm in words and in JSON. There is no patient in it, for there is none in what it is made of.

use serde_json::{Value, json};

use super::memory::{Due, Item};
use crate::settings::bench::{Alarm, Bench};
use crate::sheet::todo::shown;

/// Of each kind so many are told one by one, and so many characters of each.
const MOST: usize = 30;
const TEXT: usize = 300;

/// What is told, to whom, and when.
pub struct Message<'a> {
    pub alarm: &'a Alarm,
    pub bench: &'a Bench,
    pub at: i64,
    pub(super) due: &'a Due,
    /// Nothing is wrong: somebody tries whether it arrives.
    pub test: bool,
}

/// One line, bounded.
fn short(text: &str) -> String {
    let plain = text.chars().map(|c| if c.is_control() { ' ' } else { c });
    plain.take(TEXT).collect()
}

impl Message<'_> {
    /// How many of what.
    #[must_use]
    pub fn subject(&self) -> String {
        if self.test {
            return "a test, nobody is needed".to_owned();
        }
        let (begun, still, over) =
            (self.due.begun.len(), self.due.still.len(), self.due.over.len());
        let needs = |n: usize, what: &str| match n {
            0 => None,
            1 => Some(format!("1 thing{what} needs a person")),
            n => Some(format!("{n} things{what} need a person")),
        };
        let over = (over > 0).then(|| format!("{over} over"));
        let parts = [needs(begun, ""), needs(still, " still"), over];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        match parts.is_empty() {
            true => "alarms are delivered".to_owned(),
            false => parts.join(", "),
        }
    }

    /// For people.
    #[must_use]
    pub fn text(&self) -> String {
        let at = self.bench.clock.rfc3339(self.at);
        let mut text = format!("{}, {at}: {}\n", short(&self.bench.site_name), self.subject());
        let due = self.due;
        for (head, items) in [
            ("Needs a person now:", &due.begun),
            ("Told before, and still so:", &due.still),
            ("Over:", &due.over),
        ] {
            if !items.is_empty() {
                text.push_str(&format!("\n{head}\n"));
            }
            for item in items.iter().take(MOST) {
                text.push_str(&self.line(item, head == "Over:"));
            }
            if items.len() > MOST {
                text.push_str(&format!("- and {} more\n", items.len() - MOST));
            }
        }
        text.push_str("\n`wickline status` tells how everything is.\n");
        text
    }

    fn line(&self, item: &Item, over: bool) -> String {
        let since = self.bench.clock.rfc3339(item.since);
        let urgent = if item.urgent { "URGENT, " } else { "" };
        let which = short(&item.which);
        let head = format!("- {urgent}{} {which}, known since {since}", item.about);
        if over {
            return format!("{head}\n");
        }
        let todo =
            item.todo.as_ref().map_or(String::new(), |todo| format!("    {}\n", shown(todo)));
        format!("{head}\n    {}\n{todo}", short(&item.text))
    }

    /// For programs; `text` is what people read.
    #[must_use]
    pub fn json(&self) -> Value {
        let one = |item: &Item| {
            json!({
                "about": item.about, "which": short(&item.which), "urgent": item.urgent,
                "since": self.bench.clock.rfc3339(item.since), "text": short(&item.text),
                "todo": item.todo,
            })
        };
        let all = |items: &[Item]| items.iter().take(MOST).map(one).collect::<Vec<_>>();
        json!({
            "site": short(&self.bench.site_name), "alarm": self.alarm.id,
            "at": self.bench.clock.rfc3339(self.at), "subject": self.subject(), "text": self.text(),
            "begun": all(&self.due.begun), "still": all(&self.due.still), "over": all(&self.due.over),
        })
    }

    /// A mail (RFC 5322) to one address, from itself: who answers answers those who are told. Made by a program
    /// (RFC 3834).
    #[must_use]
    pub fn mail(&self, to: &str) -> String {
        let site = Some(short(&self.bench.site_name)).filter(|name| name.is_ascii());
        let site = site.map_or(String::new(), |name| format!(" {name}"));
        let date = self.bench.clock.mail_date(self.at);
        let head = format!(
            "Date: {date}\nFrom: {to}\nTo: {to}\nSubject: Wickline{site}: {}\nMIME-Version: 1.0\n\
             Content-Type: text/plain; charset=utf-8\nContent-Transfer-Encoding: 8bit\n\
             Auto-Submitted: auto-generated\n",
            self.subject()
        );
        format!("{head}\n{}", self.text())
    }
}
