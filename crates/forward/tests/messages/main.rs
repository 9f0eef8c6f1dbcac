//! Result messages: rule by rule, against kept examples, and whatever the text is.

mod examples;
mod round_trip;
mod rules;
mod sample;
