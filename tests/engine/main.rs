//! The simulation: engine, measures, stability, losses, and the independent integration beside it. One module a topic.

#[path = "../support/simplex.rs"]
mod simplex;
#[path = "../support/stepper.rs"]
mod stepper;
#[path = "../support/mod.rs"]
mod support;

mod cross_check;
mod cross_check_alternation;
mod cross_check_control;
mod cross_check_protection;
mod current_mode;
mod dropout;
mod impedance;
mod independent_derivation;
mod laws;
mod leaps;
mod load_edges;
mod loss_copper;
mod loss_core;
mod loss_switches;
mod loss_thermal;
mod map;
mod motion;
mod order;
mod pending_events;
mod protection;
mod regulator;
mod ripple_control;
mod saturation;
mod soak;
mod stability_loop;
mod steady;
mod synthesis;
mod validation;
mod worst_load;
