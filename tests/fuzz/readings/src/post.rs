//! Reports of delivery.

#[path = "../../../../src/post/report.rs"]
pub mod report;

#[path = "mail.rs"]
pub mod mail;
