//! A placeholder that may be empty and has another behind its blank: only the whole line tells whether it is.
//!
//! `Tube {specimen?} {date}` is two forms, `Tube {date}` and `Tube {specimen} {date}`. Which of them a line has is
//! found as with any two forms: a line that has both and says different things by them is not read.

use super::Piece;

/// Such placeholders in a form at most: each doubles what has to be tried.
const MOST: usize = 3;

/// The forms that these pieces stand for, those with fewer placeholders first.
pub(super) fn alternatives(pieces: Vec<Piece>) -> Result<Vec<Vec<Piece>>, String> {
    let places: Vec<usize> = pieces
        .windows(3)
        .enumerate()
        .filter_map(|(at, three)| may_lack(three).then_some(at))
        .collect();
    if places.len() > MOST {
        return Err(format!(
            "at most {MOST} placeholders that may be empty with another one right behind a blank"
        ));
    }
    let mut all = vec![pieces];
    // From the last to the first, so that those before it stay where they are.
    for at in places.into_iter().rev() {
        let without = all.iter().map(|one| {
            let (before, behind) = one.split_at(at);
            [before, behind.get(2..).unwrap_or_default()].concat()
        });
        let with = all.iter().map(|one| {
            let fill = |(n, piece): (usize, &Piece)| match piece {
                Piece::Field { field, .. } if n == at => {
                    Piece::Field { field: *field, optional: false }
                }
                piece => piece.clone(),
            };
            one.iter().enumerate().map(fill).collect()
        });
        all = without.chain(with).collect();
    }
    Ok(all)
}

fn may_lack(three: &[Piece]) -> bool {
    matches!(three, [Piece::Field { optional: true, .. }, Piece::Blank, Piece::Field { .. }])
}
