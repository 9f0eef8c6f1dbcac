//! Corrections: what changed is said to have changed, whatever was said before.

use proptest::prelude::*;

use super::Sent::{Accepted, OnItsWay, Unanswered};
use super::{Entry, Known, Plan, learn, plan};
use crate::observation::ResultStatus;
use crate::observation::ResultStatus::{
    Corrected, Final, Preliminary, Unread, Unverified, Withdrawn,
};

/// A name, a place of that name, a number or not, and what it says; 0 says nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Toy {
    name: char,
    place: u8,
    number: bool,
    says: u8,
}

impl Entry for Toy {
    fn same_name(&self, other: &Self) -> bool {
        self.name == other.name
    }
    fn same_place(&self, other: &Self) -> bool {
        (self.name, self.place) == (other.name, other.place)
    }
    fn same_kind(&self, other: &Self) -> bool {
        self.number == other.number
    }
    fn says_the_same(&self, other: &Self) -> bool {
        (self.number, self.says) == (other.number, other.says)
    }
}

fn toy(name: char, says: u8) -> Toy {
    Toy { name, place: 0, number: false, says }
}

type Message = Vec<(Toy, ResultStatus)>;

fn first(now: &[Toy]) -> Message {
    first_as(now, Final)
}

fn first_as(now: &[Toy], goes: ResultStatus) -> Message {
    now.iter().map(|t| (*t, if t.says == 0 { Unread } else { goes })).collect()
}

fn knows(now: &[Toy]) -> Vec<Known<Toy>> {
    knows_as(now, Final)
}

fn knows_as(now: &[Toy], goes: ResultStatus) -> Vec<Known<Toy>> {
    let mut known = Vec::new();
    learn(&mut known, first_as(now, goes), Accepted);
    known
}

/// The message that a plan makes: names and places are kept, what is new has a place of its own, what
/// is gone is said as it was told.
fn said(known: &[Known<Toy>], now: &[Toy], plan: &Plan) -> Message {
    let mut message = Message::new();
    for (toy, (status, pair)) in now.iter().zip(&plan.now) {
        let place = pair.map_or(toy.place + 10 * u8::try_from(known.len()).unwrap_or(9), |at| {
            known[at].entry.place
        });
        message.push((Toy { place, ..*toy }, *status));
    }
    message.extend(plan.gone.iter().map(|at| (known[*at].entry, Withdrawn)));
    message
}

/// Name and status of whatever is not final.
fn told(known: &[Known<Toy>], now: &[Toy]) -> Vec<(char, &'static str)> {
    let message = said(known, now, &plan(known, &first(now)));
    let changed = message.iter().filter(|(_, status)| *status != Final);
    changed.map(|(toy, status)| (toy.name, status.text())).collect()
}

#[test]
fn only_what_changed_is_corrected() {
    let known = knows(&[toy('g', 1), toy('k', 1), toy('n', 0)]);
    let same = [toy('g', 1), toy('k', 1), toy('n', 0)];
    assert!(!plan(&known, &first(&same)).says_anything);
    assert_eq!(told(&known, &[toy('g', 2), toy('k', 1), toy('n', 0)]), [('g', "C"), ('n', "X")]);
    assert_eq!(told(&known, &[toy('g', 0), toy('k', 1), toy('n', 3)]), [('g', "X"), ('n', "C")]);
    let more = [same[0], same[1], same[2], toy('p', 1)];
    assert_eq!(told(&known, &more), [('n', "X")], "what was never said is final");
    assert!(plan(&known, &first(&more)).says_anything);
}

#[test]
fn what_was_sent_and_is_no_more_is_withdrawn() {
    let mut known = knows(&[toy('g', 1), toy('m', 5)]);
    let now = [toy('g', 2)];
    assert_eq!(told(&known, &now), [('g', "C"), ('m', "W")]);
    let message = said(&known, &now, &plan(&known, &first(&now)));
    learn(&mut known, message, Accepted);
    assert_eq!(told(&known, &now), [], "it is not withdrawn twice");
    let back = [toy('g', 1), toy('m', 5)];
    assert_eq!(told(&known, &back), [('g', "C"), ('m', "C")], "it is not forgotten");
    let all = plan(&known, &[]);
    assert_eq!((all.gone.len(), all.says_anything), (1, true));
    let message = said(&known, &[], &all);
    learn(&mut known, message, Accepted);
    assert!(!plan(&known, &[]).says_anything, "once is enough");
}

#[test]
fn what_was_never_answered_may_be_known_or_not() {
    let mut known = knows(&[toy('g', 1)]);
    learn(&mut known, vec![(toy('g', 2), Corrected)], Unanswered);
    assert_eq!(told(&known, &[toy('g', 1)]), [('g', "C")]);
    assert_eq!(told(&known, &[toy('g', 2)]), [('g', "C")], "it may still have the first");
    learn(&mut known, vec![(toy('g', 2), Corrected)], Accepted);
    assert_eq!(told(&known, &[toy('g', 2)]), []);
    learn(&mut known, vec![(toy('g', 2), Withdrawn)], Unanswered);
    assert_eq!(told(&known, &[]), [('g', "W")], "again, since it may not have heard it");
    let mut never = Vec::new();
    learn(&mut never, first(&[toy('g', 1)]), Unanswered);
    let again = plan(&never, &first(&[toy('g', 1)]));
    assert_eq!((again.now[0].0, again.says_anything), (Final, true), "it may have nothing yet");
    let mut coming = knows(&[toy('g', 1)]);
    learn(&mut coming, vec![(toy('g', 2), Corrected)], OnItsWay);
    let again = plan(&coming, &first(&[toy('g', 2)]));
    assert_eq!((again.now[0].0, again.says_anything), (Corrected, false), "it is on its way");
}

#[test]
fn results_of_one_name_keep_their_places() {
    let grade = Toy { name: 'g', place: 1, number: false, says: 1 };
    let number = Toy { place: 2, number: true, ..grade };
    let known = knows(&[grade, number]);
    let now = [Toy { place: 0, says: 7, ..number }];
    let message = said(&known, &now, &plan(&known, &first(&now)));
    assert_eq!(message, [(Toy { says: 7, ..number }, Corrected), (grade, Withdrawn)]);
    let alone = knows(&[Toy { place: 0, ..grade }]);
    assert_eq!(told(&alone, &[grade, number]), [('g', "C")], "another value under a known name");
}

/// Statuses of a plan for one result, and whether anything is said.
fn planned(known: &[Known<Toy>], now: Toy, goes: ResultStatus) -> (ResultStatus, bool) {
    let plan = plan(known, &first_as(&[now], goes));
    (plan.now[0].0, plan.says_anything)
}

#[test]
fn what_was_never_final_is_no_correction_when_it_changes() {
    for early in [Preliminary, Unverified] {
        let known = knows_as(&[toy('g', 1)], early);
        assert_eq!(planned(&known, toy('g', 1), early), (early, false));
        assert_eq!(planned(&known, toy('g', 2), early), (early, true));
        assert_eq!(planned(&known, toy('g', 1), Final), (Final, true), "it becomes final");
        assert_eq!(planned(&known, toy('g', 2), Final), (Final, true), "none was final before");
        let bare = knows_as(&[toy('g', 0)], early);
        assert_eq!(planned(&bare, toy('g', 2), early), (early, true), "it was not read before");
        let mut both = knows_as(&[toy('g', 1)], early);
        learn(&mut both, first(&[toy('g', 1)]), Unanswered);
        assert_eq!(
            planned(&both, toy('g', 1), Final),
            (Final, true),
            "it may have the first alone"
        );
        assert_eq!(planned(&both, toy('g', 2), early), (Corrected, true), "it may be final there");
    }
    let other = knows_as(&[toy('g', 1)], Preliminary);
    assert_eq!(planned(&other, toy('g', 1), Unverified), (Unverified, true));
}

#[test]
fn what_is_final_is_not_made_preliminary_again() {
    let known = knows(&[toy('g', 1)]);
    assert_eq!(planned(&known, toy('g', 1), Preliminary), (Final, false));
    assert_eq!(planned(&known, toy('g', 2), Preliminary), (Corrected, true));
    let mut gone = known;
    learn(&mut gone, vec![(toy('g', 1), Withdrawn)], Accepted);
    assert_eq!(planned(&gone, toy('g', 2), Preliminary), (Corrected, true), "it was final once");
}

#[derive(Clone, Copy, Debug)]
enum Fate {
    Accepted,
    Refused,
    /// Never answered: received or not.
    Lost(bool),
}

fn any_toys() -> impl Strategy<Value = Vec<Toy>> {
    let one = (prop::sample::select(vec!['a', 'b', 'c']), 0_u8..3, prop::bool::ANY, 0_u8..4);
    let toy = one.prop_map(|(name, place, number, says)| Toy { name, place, number, says });
    prop::collection::vec(toy, 0..5).prop_map(|mut toys| {
        // One message has each name and place once.
        let mut seen = std::collections::HashSet::new();
        toys.retain(|t| seen.insert((t.name, t.place)));
        toys
    })
}

fn any_fate() -> impl Strategy<Value = Fate> {
    prop_oneof![
        3 => Just(Fate::Accepted),
        1 => Just(Fate::Refused),
        2 => prop::bool::ANY.prop_map(Fate::Lost),
    ]
}

fn any_first() -> impl Strategy<Value = ResultStatus> {
    prop::sample::select(vec![Final, Preliminary, Unverified])
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]
    /// Over a history of corrections and answers: whatever a receiver really has under a name, no other
    /// value of it ever comes as final, and what it has at the end is what is so.
    #[test]
    fn no_changed_value_ever_goes_as_final(
        history in prop::collection::vec((any_toys(), any_fate(), any_first()), 1..8),
    ) {
        let mut known: Vec<Known<Toy>> = Vec::new();
        let mut has: Vec<(Toy, ResultStatus)> = Vec::new();
        // Every name that was perhaps heard with a status.
        let mut heard: Vec<(char, ResultStatus)> = Vec::new();
        for (now, fate, goes) in history {
            let plan = plan(&known, &first_as(&now, goes));
            let message = said(&known, &now, &plan);
            for (toy, status) in &message {
                let mut there = has.iter().filter(|(t, _)| t.name == toy.name);
                let same = |(t, s): &(Toy, ResultStatus)| {
                    t.place == toy.place && t.says_the_same(toy) && !matches!(s, Withdrawn | Unread)
                };
                let was = |any: &[ResultStatus]| {
                    heard.iter().any(|(name, s)| *name == toy.name && any.contains(s))
                };
                let (ended, early) = (was(&[Final, Corrected]), was(&[Preliminary, Unverified]));
                let any = |any: &[ResultStatus]| heard.iter().any(|(_, s)| any.contains(s));
                let open = any(&[Preliminary, Unverified]) && !any(&[Final, Corrected]);
                match status {
                    Final => {
                        let named: Vec<_> = there.copied().collect();
                        let free = named.is_empty() || open || (early && !ended);
                        prop_assert!(toy.says != 0 && (free || named.iter().any(same)));
                    }
                    Preliminary | Unverified => prop_assert!(toy.says != 0 && *status == goes && !ended),
                    Corrected => {
                        prop_assert!(toy.says != 0 && known.iter().any(|k| k.entry.name == toy.name));
                        prop_assert!(ended || (goes == Final && !early && !open));
                    }
                    Unread => prop_assert!(toy.says == 0),
                    Withdrawn => prop_assert!(there.next().is_some() || known.iter().any(|k| k.entry == *toy)),
                }
            }
            if !plan.says_anything {
                let stands: Vec<_> = has.iter().filter(|(_, s)| *s != Withdrawn).collect();
                prop_assert_eq!(stands.len(), now.len(), "nothing new, so it has all of it");
                let early = |s: &ResultStatus| matches!(s, Preliminary | Unverified) && *s != goes;
                prop_assert!(!stands.iter().any(|(_, s)| early(s)), "as far as it goes today");
            }
            let received = matches!(fate, Fate::Accepted | Fate::Lost(true));
            for (toy, status) in message.iter().filter(|_| received) {
                has.retain(|(t, _)| (t.name, t.place) != (toy.name, toy.place));
                has.push((*toy, *status));
            }
            if !matches!(fate, Fate::Refused) {
                heard.extend(message.iter().map(|(toy, status)| (toy.name, *status)));
            }
            match fate {
                Fate::Accepted => learn(&mut known, message, Accepted),
                Fate::Lost(_) => learn(&mut known, message, Unanswered),
                Fate::Refused => {}
            }
        }
    }
}
