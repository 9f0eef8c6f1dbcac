//! Result messages: rule by rule, against kept examples, and whatever the text is.

mod examples;
mod layouts;
mod round_trip;
mod rules;
mod sample;
