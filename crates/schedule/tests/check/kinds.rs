//! What a file is.

use schedule::{FileKind, kind_of};

#[test]
fn a_file_with_a_vessel_is_a_configuration() {
    for (text, expected) in [
        ("[vessel.north]\nvolume='23 L'\n", FileKind::Config),
        ("[vessel]\n", FileKind::Config),
        ("vessel.north.volume='23 L'\n", FileKind::Config),
        ("format=1\n[[stage]]\nname='one'\n[vessel.north]\n", FileKind::Config),
        ("format=1\n[store]\nfile='x'\n", FileKind::Config),
        ("format=1\n[[stage]]\nname='one'\n", FileKind::Schedule),
        ("# [vessel.north]\nname='one'\n", FileKind::Schedule),
        ("name='[vessel'\n", FileKind::Schedule),
        ("", FileKind::Schedule),
        // A slip elsewhere does not hide the table.
        ("format = one\n[vessel.north]\nvolume = 23 L\n", FileKind::Config),
    ] {
        assert_eq!(kind_of(text), expected, "{text}");
    }
}
