//! Orders that come in: the kept messages and their answers, what is wrong with others, whatever comes, and what goes
//! back with results.

mod desk;
mod groups;
mod hostile;
mod manners;
mod report;
mod results;
mod vectors;
mod wrong;
