//! The demonstration: a whole batch over the real broker, and it ends by itself.

use barmkeep_tests::program::barmkeep;
use std::time::Instant;

#[test]
fn the_demo_ends_with_a_complete_batch() {
    let began = Instant::now();
    let said = barmkeep(&["demo", "--pace", "4000000000"]).with(0);
    println!("the demo took {:.1} s", began.elapsed().as_secs_f64());
    for part in [
        "was pitched on schedule",
        "Stage 1 of 5, primary, began",
        "Stage 2 of 5, warm finish, began",
        "Stage 3 of 5, diacetyl rest, began",
        "Please confirm: Forced diacetyl test is clean",
        "Stage 4 of 5, cool down, began",
        "an airlock draws in",
        "Stage 5 of 5, lagering, began",
        "Half of the lagering time is over: a good day for a taste",
        "Batch complete after",
        "The batch is complete.",
    ] {
        assert!(said.out.contains(part), "no `{part}` in:\n{}\n{}", said.out, said.err);
    }
    assert!(!said.err.contains("ERROR"), "{}", said.err);
    assert!(!said.out.contains("Alarm beer-silent"), "{}", said.out);
}
