//! Numbers used twice, and reports whose clock is doubted, against a bench that knows what it ran.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;

use super::super::{Account, Came, Counting, Reset, Sequence, Spot, Told};
use crate::moment::Moment;
use crate::number::split;
use crate::rules::Rules;

const DAY: &str = "2026-03-14";

/// What was told to be missing and has not come since.
#[derive(Default)]
struct Sheet(BTreeSet<Spot>);

impl Sheet {
    fn enter(&mut self, told: &[Told]) {
        for told in told {
            match told {
                Told::Missing(stretch) | Told::Unknown(stretch) => {
                    for value in stretch.first.value..=stretch.to {
                        let new = self.0.insert(Spot { value, ..stretch.first.clone() });
                        assert!(new, "told twice: {value}");
                    }
                }
                Told::CameLate(spot) => assert!(self.0.remove(spot), "never told: {spot:?}"),
                _ => {}
            }
        }
    }

    fn values(&self) -> Vec<i64> {
        self.0.iter().map(|s| s.value).collect()
    }
}

/// A bench: strips come by their numbers, a minute apart; one whose number was used before waits for a
/// person to say what it is.
struct Bench {
    rows: Vec<Sequence>,
    sheet: Sheet,
    waiting: Vec<(i64, Option<Moment>)>,
    minute: i64,
    timed: bool,
}

impl Bench {
    fn new(timed: bool) -> Self {
        let (rows, sheet, waiting) = (Vec::new(), Sheet::default(), Vec::new());
        Self { rows, sheet, waiting, minute: 0, timed }
    }

    /// The account as it goes on from its rows.
    fn account(&self) -> Account {
        let counting = Counting { reset: Reset::Daily, first: 1, top: None };
        let mut account = Account::new(counting, self.rows.clone());
        for (value, _) in &self.waiting {
            account.undecided(&split(&value.to_string(), &Rules::default()), DAY);
        }
        account
    }

    fn heard(&mut self, value: i64) {
        self.minute += 1;
        let at = Moment::at_wall(20_000 * 86_400 + self.minute * 60).filter(|_| self.timed);
        let mut account = self.account();
        let came = Came { day: DAY, taken: at, repeat: false };
        let told = account.next(&split(&value.to_string(), &Rules::default()), came);
        if told.iter().any(|t| matches!(t, Told::HeardBefore(_))) {
            self.waiting.push((value, at));
        }
        self.sheet.enter(&told);
        self.rows = account.sequences().to_vec();
    }

    /// A person says of one that it is a run of its own.
    fn decided(&mut self, which: usize) {
        if self.waiting.is_empty() {
            return;
        }
        let (value, taken) = self.waiting.remove(which % self.waiting.len());
        let mut account = self.account();
        let came = Came { day: DAY, taken, repeat: false };
        let before = self.sheet.values();
        let told = account.began_again(&split(&value.to_string(), &Rules::default()), came);
        self.sheet.enter(&told);
        let opened = self.sheet.values().len() > before.len();
        assert!(!opened, "a person said of {value} that it is a new run: {told:?}");
        self.rows = account.sequences().to_vec();
    }
}

#[test]
fn a_strip_under_a_number_used_before_opens_no_gap() {
    let mut bench = Bench::new(true);
    (1..=55).for_each(|n| bench.heard(n));
    for again in [55, 12, 40] {
        bench.heard(again);
        bench.decided(0);
        assert_eq!(bench.sheet.values(), [], "after {again}");
    }
    // The numbers go on from where they were; a gap in them is one.
    [56, 58].into_iter().for_each(|n| bench.heard(n));
    assert_eq!(bench.sheet.values(), [57]);
    assert!(bench.waiting.is_empty());
}

#[test]
fn an_analyzer_that_began_again_has_gaps_of_its_own() {
    let mut bench = Bench::new(true);
    (1..=20).for_each(|n| bench.heard(n));
    // All three were heard before anybody could say so, and are said in another order.
    [1, 2, 3].into_iter().for_each(|n| bench.heard(n));
    [1, 0, 0].into_iter().for_each(|n| bench.decided(n));
    bench.heard(4);
    assert!(bench.waiting.is_empty() && bench.sheet.values().is_empty());
    bench.heard(6);
    assert_eq!(bench.sheet.values(), [5], "lost since it began again");
    bench.heard(5);
    assert_eq!(bench.sheet.values(), []);
}

#[test]
fn what_was_given_out_unheard_before_it_began_again_nobody_knows() {
    let mut account = Account::new(Counting::default(), Vec::new());
    let mut say = |again: bool, n: i64, second: i64| {
        let taken = Moment::at_wall(20_000 * 86_400 + second);
        let (number, came) =
            (split(&n.to_string(), &Rules::default()), Came { day: DAY, taken, repeat: false });
        if again {
            return account.began_again(&number, came);
        }
        let told = account.next(&number, came);
        account.stopped();
        told
    };
    [1, 2, 3].into_iter().for_each(|n| drop(say(false, n, n)));
    say(false, 1, 50);
    let unknown =
        |told: Vec<Told>| told.iter().any(|t| matches!(t, Told::UnknownAfter(s) if s.value == 3));
    assert!(unknown(say(true, 1, 50)), "4 may have gone by");
    say(false, 2, 60);
    assert!(!unknown(say(true, 2, 61)), "told once");
}

#[test]
fn what_waits_for_a_decision_was_heard() {
    let mut bench = Bench::new(true);
    (1..=20).for_each(|n| bench.heard(n));
    [1, 2, 3, 4].into_iter().for_each(|n| bench.heard(n));
    [0, 0].into_iter().for_each(|n| bench.decided(n));
    bench.heard(5);
    assert_eq!(bench.sheet.values(), [], "3 and 4 are held");
}

#[test]
fn the_day_of_a_doubted_clock_is_the_one_whose_numbers_it_fits() {
    let number = |n: i64| split(&n.to_string(), &Rules::default());
    let told = |account: &mut Account, day: &str, n: i64| {
        account.next(&number(n), Came { day, taken: None, repeat: false })
    };
    let mut account = Account::new(Counting::default(), Vec::new());
    [1, 2, 3, 6, 7].into_iter().for_each(|n| drop(told(&mut account, "2026-03-13", n)));
    let day = |account: &Account, n: i64, next: Option<&str>| {
        account.day_of(&number(n), "2026-03-14", next)
    };
    // Past our midnight, not past its own; and what it was asked for from its memory.
    assert_eq!(day(&account, 8, None), "2026-03-13");
    assert_eq!(day(&account, 4, None), "2026-03-13");
    assert_eq!(day(&account, 1, None), "2026-03-14", "it began its numbers again");
    assert_eq!(day(&account, 3, None), "2026-03-14", "nothing was heard of this day yet");
    [1, 2, 3].into_iter().for_each(|n| drop(told(&mut account, "2026-03-14", n)));
    assert_eq!(day(&account, 4, None), "2026-03-14", "the next one");
    assert_eq!(day(&account, 5, None), "2026-03-13", "still missing there");
    assert_eq!(day(&account, 9, None), "2026-03-14");
    // Before our midnight, past its own.
    assert_eq!(day(&account, 1, Some("2026-03-15")), "2026-03-15");
    assert_eq!(
        day(&account, 2, Some("2026-03-15")),
        "2026-03-14",
        "1 did not come: that is for a person"
    );
}

#[test]
fn what_was_heard_before_a_digit_told_classes_apart_was_heard() {
    let came = |day| Came { day, taken: None, repeat: false };
    let plain = |text: &str| split(text, &Rules::default());
    let mut apart = Rules::default();
    apart.add_leading_digit("0xxxx=routine").expect("a form");
    apart.add_leading_digit("2xxxx=control").expect("a form");
    let mut account = Account::new(Counting::default(), Vec::new());
    account.next(&plain("00007"), came("2026-03-13"));
    for text in ["00001", "00002", "00003", "20001"] {
        account.next(&plain(text), came(DAY));
    }
    // From here on 00005 is the fifth of the mark 0, and 20003 the third of the mark 2.
    let mut told = |text: &str| match account.next(&split(text, &apart), came(DAY)).as_slice() {
        [Told::Missing(gap)] => gap.name(),
        told => format!("{told:?}"),
    };
    assert_eq!((told("00005").as_str(), told("20003").as_str()), ("00004", "20002"));
}

/// What happens at a bench.
#[derive(Clone, Debug)]
enum Step {
    /// The next strip; it may be lost on the way.
    Strip { lost: bool },
    /// A strip under a number that was used before.
    Again(i64),
    /// A person decides one of those that wait.
    Decided(usize),
    /// The analyzer is switched off and on.
    Restart,
}

fn steps() -> impl Strategy<Value = Vec<Step>> {
    let step = prop_oneof![
        8 => prop::bool::weighted(0.2).prop_map(|lost| Step::Strip { lost }),
        2 => (0..60_i64).prop_map(Step::Again),
        3 => (0..9_usize).prop_map(Step::Decided),
        1 => Just(Step::Restart),
    ];
    proptest::collection::vec(step, 1..120)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// A number that was heard on its day is never missing. Where an analyzer began again, so many strips of
    /// a number are missing at most as were lost; where it did not, exactly what was lost and not run again.
    #[test]
    fn a_number_that_was_heard_is_never_missing(steps in steps(), restarts: bool, timed: bool) {
        let mut bench = Bench::new(timed);
        let (mut next, mut restarted, mut lowest) = (1, false, None);
        let mut heard: BTreeSet<i64> = BTreeSet::new();
        let mut lost: BTreeMap<i64, usize> = BTreeMap::new();
        for step in steps {
            match step {
                Step::Strip { lost: true } => {
                    *lost.entry(next).or_default() += 1;
                    next += 1;
                }
                Step::Strip { lost: false } => {
                    lowest.get_or_insert(next);
                    bench.heard(next);
                    heard.insert(next);
                    next += 1;
                }
                // Used numbers that look like a restart and are none, nobody can tell from one.
                Step::Again(n) if next > 2 && !restarted => {
                    let value = 2 + n % (next - 2);
                    if heard.contains(&value) {
                        bench.heard(value);
                    }
                }
                Step::Restart if restarts && !restarted => {
                    (next, restarted) = (1, true);
                    heard.clear();
                }
                Step::Decided(which) => bench.decided(which),
                Step::Again(_) | Step::Restart => {}
            }
            let values = bench.sheet.values();
            for value in &values {
                let told = values.iter().filter(|v| *v == value).count();
                prop_assert!(told <= lost.get(value).copied().unwrap_or(0), "{} is told missing", value);
            }
            if !restarted {
                let from = lowest.unwrap_or(0);
                let to = heard.last().copied().unwrap_or(0);
                let wanted: Vec<i64> = (from..to).filter(|v| !heard.contains(v)).collect();
                prop_assert_eq!(values, wanted);
            }
        }
    }
}
