//! How many steps reading takes, counted where the tests look: no notation may make it more than a print is long.

#[cfg(test)]
thread_local! {
    static TAKEN: std::cell::Cell<usize> = const { std::cell::Cell::new(0) };
}

/// So many steps are taken.
pub(super) fn take(steps: usize) {
    #[cfg(test)]
    TAKEN.with(|taken| taken.set(taken.get() + steps));
    #[cfg(not(test))]
    let _ = steps;
}

/// Steps since it was last asked, in this thread.
#[cfg(test)]
pub(super) fn taken() -> usize {
    TAKEN.with(|taken| taken.replace(0))
}
