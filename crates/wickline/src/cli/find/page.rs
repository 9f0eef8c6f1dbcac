//! One report whole, for people: what it is, what it read, what was done, what receivers hold of it.

use crate::acts::holdings::{Held, Holding, Holds};
use crate::cli::output::{Output, Tone, class, short_time, state};
use crate::clock::SiteClock;
use crate::store::trail::Row;
use crate::views::report::{Sent, Whole};

pub fn show(whole: &Whole, clock: &SiteClock, out: &Output) {
    let item = &whole.item;
    let dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
    let plain = |text: String| (text, Tone::Plain);
    out.pieces(&[
        plain(format!("report {}   {} number {}   ", item.id, item.analyzer, dash(&item.number))),
        class(&item.class),
        plain(format!("   specimen {}   ", dash(&item.specimen))),
        state(item.state.text()),
        (format!("   found by {}", whole.found_by.join(", ")), Tone::Quiet),
    ]);
    let (taken, heard) = (item.taken_at.as_deref(), item.heard_at.as_deref());
    out.line(&format!("    taken {}   heard {}", short_time(taken), short_time(heard)));
    if let Some(serial) = &whole.serial {
        out.line(&format!("    by the instrument with serial {serial}"));
    }
    for reading in &whole.readings {
        out.line(&format!("    {:<6} {}", reading.analyte, reading.text));
    }
    for hold in &item.holds {
        let cleared = if hold.cleared { " [cleared]" } else { "" };
        out.line(&format!("    {}{cleared}: {}", hold.reason, hold.detail));
    }
    for one in &whole.orders {
        out.line(&format!("    {}", one.words()));
    }
    for one in &whole.asked {
        let at = short_time(Some(&one.at));
        out.line(&format!("    {} was asked about it {at}: {}", one.source, one.words));
    }
    for before in &whole.before {
        let until = clock.rfc3339(before.at);
        let until = short_time(Some(&until));
        out.line(&format!("    specimen {} until {until}: {}", before.specimen, before.what));
    }
    for row in &whole.history {
        out.line(&format!("    {}", act(row, clock)));
    }
    for message in &whole.messages {
        let Sent { message, control_id, state } = message;
        out.line(&format!("    {message} {control_id} {state}"));
    }
    for holding in &whole.receivers {
        out.line(&format!("    {}", holds(holding)));
        for held in &holding.results {
            out.line(&format!("        {}", result(held)));
        }
    }
}

/// One row of the trail in one line.
fn act(row: &Row, clock: &SiteClock) -> String {
    let at = clock.rfc3339(row.at);
    let mut text = format!("{}  {}  {}", short_time(Some(&at)), row.who, row.verb);
    if let Some(at) = row.object.split_once(" at ").map(|(_, at)| at) {
        text.push_str(&format!(" at {at}"));
    }
    if let (Some(was), Some(became)) = (&row.was, &row.became) {
        text.push_str(&format!(": {was} -> {became}"));
    } else if let Some(became) = &row.became {
        text.push_str(&format!(": {became}"));
    }
    if let Some(reason) = &row.reason {
        text.push_str(&format!(" ({reason})"));
    }
    text
}

/// What one receiver holds, in one line.
pub fn holds(holding: &Holding) -> String {
    let Holding { receiver, obr3, ordered, .. } = holding;
    // Where it goes by the orders' numbers, ours is not what it has.
    let there = ordered.join(" and ");
    let obr3 = if ordered.is_empty() { obr3 } else { &there };
    let specimen = holding.specimen.as_deref().unwrap_or("-");
    match holding.holds {
        Holds::Nothing => format!("{receiver} holds nothing of it"),
        Holds::Withdrawn => format!("{receiver} holds nothing under {obr3}, {specimen}: withdrawn"),
        Holds::Results => format!("{receiver} holds under {obr3}, specimen {specimen}:"),
        Holds::Unknown => {
            let why = holding.why.as_deref().unwrap_or_default();
            format!("what {receiver} holds under {obr3} is not known: {why}")
        }
    }
}

fn result(held: &Held) -> String {
    let line = &held.line;
    let mut text = [&line.name, &line.value, &line.unit, &line.flag]
        .into_iter()
        .filter(|part| !part.is_empty())
        .cloned()
        .collect::<Vec<_>>()
        .join(" ");
    if held.status == "W" {
        text.push_str(" (withdrawn)");
    }
    if held.doubtful {
        text.push_str(" (or what it had before: no answer came)");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::{Holding, Holds, holds};

    #[test]
    fn a_receiver_that_goes_by_the_orders_numbers_is_told_of_by_those() {
        let mut holding = Holding {
            receiver: "lis".into(),
            obr3: "003DK".into(),
            ordered: Vec::new(),
            specimen: Some("KP-1".into()),
            holds: Holds::Results,
            results: Vec::new(),
            sent: Vec::new(),
            why: None,
        };
        assert_eq!(holds(&holding), "lis holds under 003DK, specimen KP-1:");
        holding.ordered = vec!["FIL77".into(), "FIL78".into()];
        assert_eq!(holds(&holding), "lis holds under FIL77 and FIL78, specimen KP-1:");
    }
}
