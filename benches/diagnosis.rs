//! Time from a reading to the posterior and the next test, on a bank larger than that of any amplifier so far.

#[path = "../tests/common/synthetic.rs"]
#[allow(dead_code)]
mod synthetic;

use std::hint::black_box;
use std::sync::Arc;

use criterion::{Criterion, criterion_group, criterion_main};
use hissmap::diagnosis::{Draw, OtherSettings, Session, TestIndex, inseparable};
use synthetic::{Size, draw_unit, point, random};

fn diagnosis(criterion: &mut Criterion) {
    // 50 parts, 4 kinds, 20 severities: 4000 components.
    let size = Size { parts: 50, kinds: 4, points: 20, tests: 80, tolerances: 60, contrast: 8.0 };
    let bank = Arc::new(random(&size, &OtherSettings::default(), 1));
    let unit = draw_unit(&bank, &mut Draw::new(2, 0));
    let mut group = criterion.benchmark_group("4000 components x 80 tests");
    group.sample_size(20);
    for readings in [0, 1, 2, 4, 8] {
        let mut session = Session::new(Arc::clone(&bank));
        for test in 0..readings {
            session.add(point(7 * test, unit.readings[7 * test])).expect("a reading");
        }
        group.bench_function(format!("answer after {readings} readings"), |bench| {
            bench.iter(|| black_box(session.answer()));
        });
    }
    let tests: Vec<TestIndex> = (0..size.tests).map(TestIndex).collect();
    group.sample_size(10);
    group.bench_function("what cannot be told apart", |bench| {
        bench.iter(|| black_box(inseparable(&bank, &tests, 16, 1)));
    });
    group.finish();
}

criterion_group!(benches, diagnosis);
criterion_main!(benches);
