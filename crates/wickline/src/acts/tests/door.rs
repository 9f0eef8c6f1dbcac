//! The door by itself: every act under every combination of facts, and the table that the documents print.

use wickline_normalize::Reason;

use super::{
    Asked, Facts, Guard, Leads, Other, Pass, Post, Refusal, TABLE, TELLING, Then, Under, pass,
};
use crate::store::lists::names::Name;
use crate::store::state::{MessageState, ReportState};

const STATES: [Option<ReportState>; 6] = [
    None,
    Some(ReportState::Held),
    Some(ReportState::Waiting),
    Some(ReportState::Filed),
    Some(ReportState::Repeat),
    Some(ReportState::SetAside),
];

const UNDER: [Under; 4] = [Under::Nobody, Under::Report(7), Under::Report(9), Under::Withdrawn];

const SPECIMENS: [Option<&str>; 3] = [None, Some(" "), Some("KP-00007")];

const HOLDS: [&[Reason]; 8] = [
    &[],
    &[Reason::ControlsFailed],
    &[Reason::SpecimenUnknown],
    &[Reason::SpecimenBlank],
    &[Reason::NumberReused],
    &[Reason::UnitUnexpected],
    &[Reason::SpecimenBlank, Reason::ClockOff],
    &[Reason::ControlsDue, Reason::NotFinal],
];

fn post(state: MessageState, kept_back: bool) -> Post {
    let name = Name { report: 7, receiver: "lis".into(), withdraws: false };
    Post { name, state, kept_back, aside_by_person: false, amends: false, retired: false }
}

const OTHERS: [Option<Other<'static>>; 3] = [
    None,
    Some(Other { n: 3, specimen: Some("KP-00007"), printed: None }),
    Some(Other { n: 3, specimen: Some("KP-00099"), printed: None }),
];

/// Every combination of what the door looks at.
fn every(mut look: impl FnMut(&Facts<'_>)) {
    // Of the message each kind in its turn, and none: 17 of them go with every other combination in time.
    let kinds = MessageState::ALL.iter().flat_map(|state| (0..4).map(|i| (*state, i)));
    let kinds = kinds.map(|(state, i)| {
        Some(Post { aside_by_person: i == 2, retired: i == 3, ..post(state, i == 1) })
    });
    let mut posts = kinds.chain([None]).cycle();
    // So do the three ways in which orders let a strip go.
    let waits = [None, Some(Reason::SpecimenUnknown), Some(Reason::PatientConflict)];
    let mut waits = waits.into_iter().cycle();
    for state in STATES {
        for under in UNDER {
            for specimen in SPECIMENS {
                for holds in HOLDS {
                    for other in OTHERS {
                        for bits in 0..128_u32 {
                            let bit = |n: u32| bits & (1 << n) != 0;
                            look(&Facts {
                                state,
                                under,
                                specimen,
                                bears: specimen,
                                holds,
                                other,
                                post: posts.next().flatten(),
                                waits: waits.next().flatten(),
                                control: bit(0),
                                repeats: bit(1),
                                here: bit(2),
                                twice: bit(3),
                                reason: bit(4).then_some("strip misplaced"),
                                aside_by_person: bit(5),
                                named: bit(5),
                                sent: bit(5),
                                unsayable: bit(6).then_some("receiver lis: too long"),
                                ..Facts::of(7, "bench-1")
                            });
                        }
                    }
                }
            }
        }
    }
}

/// What must hold of everything that goes to a patients' receiver, written down once more and by other means.
fn may_go(asked: Asked, facts: &Facts<'_>) -> bool {
    let left = facts.holds.iter().all(|r| asked.answers(*r));
    let newest = match facts.under {
        Under::Nobody => true,
        Under::Report(now) => now == 7 || (facts.state == Some(ReportState::Held) && now < 7),
        Under::Withdrawn => false,
    };
    facts.here
        && !facts.control
        && left
        && newest
        && facts.specimen == Some("KP-00007")
        && facts.unsayable.is_none()
        && facts
            .waits
            .is_none_or(|reason| asked == Asked::Release && reason == Reason::SpecimenUnknown)
        && facts.post.as_ref().is_none_or(|post| !post.retired && is_open(asked, post.state))
}

/// A message that was accepted is not sent again.
fn is_open(asked: Asked, state: MessageState) -> bool {
    !matches!(asked, Asked::Retry | Asked::UndoPutOff) || state != MessageState::Accepted
}

fn goes(pass: &Pass) -> bool {
    matches!(pass.then(), Then::Goes | Then::GoesAnew)
}

#[test]
fn nothing_barred_goes_whatever_is_asked() {
    let mut went = std::collections::HashMap::new();
    every(|facts| {
        for rule in TABLE {
            let Ok(pass) = pass(rule.asked, facts) else { continue };
            if goes(&pass) {
                assert!(may_go(rule.asked, facts), "{:?}: {facts:?}", rule.asked);
                *went.entry(rule.asked).or_insert(0) += 1;
            }
            if facts.control && pass.tells_withdrawal() {
                let again =
                    [Asked::RetryWithdrawal, Asked::UndoPutOffWithdrawal, Asked::ArrivedWithdrawn];
                assert!(again.contains(&rule.asked), "{:?}", rule.asked);
            }
            // The arrow is one that was drawn, or the report was in no state for this act.
            let arrow = pass.arrow();
            assert!(
                arrow.is_ok()
                    || facts.state.is_none_or(|s| s == ReportState::Repeat)
                    || !owned(rule.asked),
                "{:?} {facts:?}: {arrow:?}",
                rule.asked
            );
        }
    });
    for rule in TABLE {
        let leads = matches!(rule.leads, Leads::Results | Leads::ResultsOrHeld | Leads::Anew);
        assert_eq!(went.contains_key(&rule.asked), leads, "{:?}", rule.asked);
    }
}

/// Acts that begin at a state of the report; the others speak of one that is out or gone.
fn owned(asked: Asked) -> bool {
    let begins = |guard: &Guard| matches!(guard, Guard::IsHeld | Guard::IsOut | Guard::IsAside);
    asked.rule().guards.iter().any(begins)
}

#[test]
fn every_guard_of_the_table_bars_by_itself() {
    for rule in TABLE {
        let tells = matches!(rule.leads, Leads::Results | Leads::ResultsOrHeld | Leads::Anew);
        let telling = if tells { TELLING } else { &[] };
        for guard in rule.guards.iter().chain(telling) {
            let mut barred = false;
            every_near(rule.asked, |facts| {
                barred |=
                    matches!(pass(rule.asked, facts), Err(Refusal { guard: g, .. }) if g == *guard);
            });
            // What holds a report leaves it held where the act allows that, and control material is filed.
            let stays = rule.leads == Leads::ResultsOrHeld
                && matches!(guard, Guard::Free | Guard::Patients);
            // Under an id whose orders keep it back it is held.
            let held = rule.leads == Leads::Anew && *guard == Guard::Ordered;
            let by_state = rule.asked == Asked::TakeIn;
            let by_id = rule.asked == Asked::Correction && *guard == Guard::Identified;
            assert!(
                barred || stays || held || by_state || by_id,
                "{:?}: {guard:?} never bars",
                rule.asked
            );
        }
    }
}

/// What bars an act by how the report stands says with which command a person goes on, and speaks of a report
/// in words that fit one: `waiting` is a message's.
#[test]
fn a_refusal_names_the_next_command() {
    let of_the_report = [
        Guard::IsHeld,
        Guard::IsOut,
        Guard::IsAside,
        Guard::IsNamed,
        Guard::Unsent,
        Guard::Answers,
        Guard::Free,
        Guard::Ordered,
        Guard::NotWithdrawn,
        Guard::NotOvertaken,
    ];
    let mut seen = std::collections::HashSet::new();
    for rule in TABLE {
        every_near(rule.asked, |facts| {
            let Err(Refusal { guard, why }) = pass(rule.asked, facts) else { return };
            assert!(!why.contains("report 7 is waiting"), "{:?}: {why}", rule.asked);
            let named =
                why.contains("`wickline ") || facts.post.as_ref().is_some_and(|p| p.retired);
            if of_the_report.contains(&guard) {
                seen.insert(guard);
                assert!(named, "{:?}: {why}", rule.asked);
            }
        });
    }
    assert_eq!(seen.len(), of_the_report.len(), "{seen:?}");
    let out = Facts { state: Some(ReportState::Waiting), ..Facts::of(6, "bench-1") };
    let why = |asked| pass(asked, &out).expect_err("no").why;
    let found = "report 6 is on its way or out, not held; `wickline find 6` tells where";
    assert_eq!(why(Asked::Release), found);
    assert!(why(Asked::UndoNaming).contains("`wickline report withdraw 6` asks"));
}

/// Facts under which an act is allowed, and every single change of them.
fn every_near(asked: Asked, mut look: impl FnMut(&Facts<'_>)) {
    let guards = asked.rule().guards;
    let state = match guards {
        guards if guards.contains(&Guard::IsOut) => ReportState::Waiting,
        guards if guards.contains(&Guard::IsAside) => ReportState::SetAside,
        _ => ReportState::Held,
    };
    let put_off = guards.contains(&Guard::Stuck) || guards.contains(&Guard::PutOff);
    let post = post(MessageState::Waiting, put_off);
    let holds: &[Reason] = match asked {
        Asked::Release | Asked::ControlsPassed => &[Reason::ControlsFailed],
        Asked::OrdersChanged => &[Reason::SpecimenUnknown],
        Asked::Identify | Asked::FileAsControl => &[Reason::SpecimenBlank],
        Asked::NewRun | Asked::Correction | Asked::Mistake => &[Reason::NumberReused],
        _ => &[],
    };
    let good = Facts {
        state: Some(state),
        holds,
        specimen: Some("KP-00007"),
        bears: Some("KP-00007"),
        other: Some(Other { n: 3, specimen: Some("KP-00007"), printed: None }),
        twice: true,
        reason: Some("strip misplaced"),
        aside_by_person: true,
        named: true,
        post: Some(post.clone()),
        ..Facts::of(7, "bench-1")
    };
    let allowed = pass(asked, &good);
    assert!(allowed.is_ok(), "{asked:?}: {allowed:?}");
    let other = Some(Other { n: 3, specimen: Some("KP-00099"), printed: None });
    let more: Vec<Reason> = holds.iter().copied().chain([Reason::NotFinal]).collect();
    let changed = [
        Facts { control: true, ..good.clone() },
        Facts { here: false, ..good.clone() },
        Facts { specimen: None, ..good.clone() },
        Facts { holds: &[Reason::UnitUnexpected], ..good.clone() },
        Facts { holds: &more, ..good.clone() },
        Facts { under: Under::Withdrawn, ..good.clone() },
        Facts { under: Under::Report(9), ..good.clone() },
        Facts { other, ..good.clone() },
        Facts { twice: false, ..good.clone() },
        Facts { reason: Some(" "), ..good.clone() },
        Facts { aside_by_person: false, ..good.clone() },
        Facts { named: false, ..good.clone() },
        Facts { sent: true, ..good.clone() },
        Facts { unsayable: Some("too long"), ..good.clone() },
        Facts { waits: Some(Reason::PatientConflict), ..good.clone() },
    ];
    for facts in &changed {
        look(facts);
    }
    for state in MessageState::ALL {
        let post = Some(Post { state: *state, ..post.clone() });
        look(&Facts { post, ..good.clone() });
    }
    look(&Facts { post: Some(Post { amends: true, ..post.clone() }), ..good.clone() });
    look(&Facts { post: Some(Post { retired: true, ..post }), ..good.clone() });
    for state in STATES {
        look(&Facts { state, ..good.clone() });
    }
}

/// The table as the documents have it.
fn printed() -> String {
    let mut text = String::from("| act | leads to | guards of its own |\n| --- | --- | --- |\n");
    for rule in TABLE {
        let guards: Vec<&str> = rule.guards.iter().map(|g| g.words()).collect();
        let leads = match rule.leads {
            Leads::Results => "results",
            Leads::ResultsOrHeld => "results, or stays held",
            Leads::Withdrawal => "withdrawal",
            Leads::Anew => "withdrawal and results anew",
            Leads::File => "the file of controls",
            Leads::Aside => "nothing is sent",
            Leads::Held => "held again",
            Leads::Unsaid => "the message is not sent",
        };
        text.push_str(&format!("| {} | {leads} | {} |\n", name(rule.asked), guards.join(", ")));
    }
    let telling: Vec<&str> = TELLING.iter().map(|g| g.words()).collect();
    text.push_str(&format!("\nWhatever tells results, besides: {}.\n", telling.join(", ")));
    text
}

/// `FileAsControl` as `file as control`.
fn name(asked: Asked) -> String {
    let mut words = String::new();
    for c in format!("{asked:?}").chars() {
        if c.is_uppercase() && !words.is_empty() {
            words.push(' ');
        }
        words.extend(c.to_lowercase());
    }
    words
}

#[test]
fn the_documents_print_this_table() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../DEVELOPERS.md");
    let page = std::fs::read_to_string(path).expect("the page is there");
    let table = printed();
    assert!(page.contains(&table), "DEVELOPERS.md should have:\n{table}");
}

#[test]
fn every_act_has_one_row() {
    for rule in TABLE {
        let rows = TABLE.iter().filter(|r| r.asked == rule.asked).count();
        assert_eq!(rows, 1, "{:?}", rule.asked);
        assert_eq!(rule.asked.rule().asked, rule.asked);
    }
    // The last act of the list: one that is added has a row as well.
    assert_eq!(TABLE.len(), Asked::UndoPutOffWithdrawal as usize + 1);
}
