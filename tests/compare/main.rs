//! Whole comparisons: the demo boards, verdicts and outcomes, the bench plan, and every number of the demo comparisons.

#[path = "../support/folders.rs"]
mod folders;
#[path = "../support/plan.rs"]
mod support;

mod bench_plan;
mod boards;
mod boards_page;
mod corners;
mod corners_page;
mod coverage_page;
mod cross_events;
mod frozen_numbers;
mod law_of_missing_data;
mod loads;
mod maps;
mod must_not_pass;
mod outcomes;
mod random_boards;
mod soak;
mod sweep;
mod uncertainty;
mod verdicts;
