//! Stages, milestones, run states and alarms: every decision, as a pure function of its inputs.
