//! Result messages: rule by rule, against kept examples, and whatever the text is.

mod corrections;
mod examples;
mod layouts;
mod ordered;
mod properties;
mod round_trip;
mod rules;
mod sample;
mod shapes;
