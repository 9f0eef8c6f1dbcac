//! Orders that come in: the kept messages and their answers, what is wrong with others, and whatever comes.

mod desk;
mod hostile;
mod manners;
mod vectors;
mod wrong;
