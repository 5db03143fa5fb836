//! What a person sees of a faulty configuration: each file of `tests/data/configurations` has its
//! snapshot.

use schedule::Source;
use std::path::Path;

#[test]
fn each_faulty_configuration_shows_what_is_wrong() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/configurations");
    for stem in ["many-slips", "open-to-all"] {
        let text = std::fs::read_to_string(folder.join(format!("{stem}.toml"))).unwrap();
        let source = Source::new(format!("{stem}.toml"), text);
        let checked = schedule::read_config(&source, &|zone| zone == "Europe/London");
        assert!(checked.has_errors(), "{stem}");
        insta::assert_snapshot!(stem, schedule::render(&checked.problems, &source, false));
    }
}
