//! What is written: text, page, tables, record, folder.

#[path = "../support/report.rs"]
mod support;

mod browser;
mod csv;
mod deciding;
mod folder;
mod html;
mod json;
mod text;
