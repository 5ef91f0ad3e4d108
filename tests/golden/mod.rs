//! Text and pages against files that someone looked at.
mod report;
mod sheets;
