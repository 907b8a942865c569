mod world;
#[test]
fn placeholder() {}
