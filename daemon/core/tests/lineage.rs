//! Whatever is split, blended, fed and lost: nothing appears and nothing is gone.

use ebbmark_core::deed::{Dose, Substance};
use ebbmark_core::lineage::{Book, Goods, Mead, Must, Share, Step, carry, sulphur_dioxide};
use ebbmark_core::liquid::{
    CARBON_DIOXIDE_PER_ETHANOL, EXTRACT_PER_ETHANOL, Liquid, YEAST_PER_ETHANOL,
};
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Gravity, Kilograms, Litres, MassPercent};
use proptest::prelude::*;

#[derive(Clone, Copy, Debug)]
enum Doing {
    /// Another must.
    Begin {
        volume: f64,
        gravity: f64,
        cost: f64,
    },
    /// A share of one into a new mead.
    Split {
        of: usize,
        share: f64,
    },
    /// Shares of two, or three, into a new mead.
    Blend {
        of: [usize; 3],
        shares: [f64; 3],
    },
    /// A share of one into one that is there already.
    Pour {
        of: usize,
        into: usize,
        share: f64,
    },
    Ferment {
        of: usize,
        share: f64,
    },
    Lose {
        of: usize,
        share: f64,
    },
    /// Honey, as a share of what is there.
    Feed {
        of: usize,
        honey: f64,
        cost: f64,
    },
    Sulphite {
        of: usize,
        kg: f64,
    },
}

fn doing() -> impl Strategy<Value = Doing> {
    let share = || 0.02..0.98f64;
    prop_oneof![
        (1.0..60.0f64, 1.03..1.15f64, 0.0..200.0f64).prop_map(|(volume, gravity, cost)| {
            Doing::Begin {
                volume,
                gravity,
                cost,
            }
        }),
        (any::<usize>(), share()).prop_map(|(of, share)| Doing::Split { of, share }),
        (any::<[usize; 3]>(), [share(), share(), share()])
            .prop_map(|(of, shares)| Doing::Blend { of, shares }),
        (any::<usize>(), any::<usize>(), share()).prop_map(|(of, into, share)| Doing::Pour {
            of,
            into,
            share
        }),
        (any::<usize>(), share()).prop_map(|(of, share)| Doing::Ferment { of, share }),
        (any::<usize>(), share()).prop_map(|(of, share)| Doing::Lose { of, share }),
        (any::<usize>(), 0.001..0.1f64, 0.0..40.0f64).prop_map(|(of, honey, cost)| Doing::Feed {
            of,
            honey,
            cost
        }),
        (any::<usize>(), 0.0..0.01f64).prop_map(|(of, kg)| Doing::Sulphite { of, kg }),
    ]
}

struct Family {
    meads: Vec<Mead>,
    shares: Vec<Share>,
    now: Moment,
}

impl Family {
    fn of(volume: f64, gravity: f64, cost: f64) -> Family {
        let mut family = Family {
            meads: Vec::new(),
            shares: Vec::new(),
            now: Moment(0),
        };
        family.begin(volume, gravity, cost);
        family
    }

    fn begin(&mut self, volume: f64, gravity: f64, cost: f64) {
        let must = Must {
            volume: Litres::new(volume).ok(),
            gravity: Gravity::new(gravity).ok(),
            cost,
        };
        self.meads.push(Mead {
            must: Some(must),
            steps: Vec::new(),
        });
    }

    fn books(&self) -> Vec<Book> {
        carry(&self.meads, &self.shares, self.now)
    }

    fn volume(&self, of: usize) -> f64 {
        self.books()[of]
            .volume()
            .expect("measured throughout")
            .get()
    }

    fn pour(&mut self, parent: usize, child: usize, share: f64) {
        let volume = Litres::new(share * self.volume(parent)).ok();
        self.shares.push(Share {
            parent,
            child,
            at: self.now,
            volume,
        });
    }

    fn step(&mut self, of: usize, step: Step) {
        self.meads[of].steps.push((self.now, step));
    }

    fn put(&mut self, of: usize, dose: Dose, liquid: Liquid, cost: f64) {
        let doses = vec![dose];
        self.step(
            of,
            Step::In(Goods {
                liquid,
                doses,
                cost,
            }),
        );
    }

    fn child(&mut self) -> usize {
        self.meads.push(Mead {
            must: None,
            steps: Vec::new(),
        });
        self.meads.len() - 1
    }

    fn act(&mut self, doing: Doing) {
        self.now = Moment(self.now.0 + 60_000);
        let there = self.meads.len();
        match doing {
            Doing::Begin {
                volume,
                gravity,
                cost,
            } => self.begin(volume, gravity, cost),
            Doing::Split { of, share } => {
                let child = self.child();
                self.pour(of % there, child, share);
            }
            Doing::Blend { of, shares } => {
                let child = self.child();
                let mut used = Vec::new();
                for (of, share) in of.into_iter().zip(shares) {
                    if !used.contains(&(of % there)) {
                        used.push(of % there);
                        self.pour(of % there, child, share);
                    }
                }
            }
            Doing::Pour { of, into, share } if of % there != into % there => {
                self.pour(of % there, into % there, share);
            }
            Doing::Pour { .. } => {}
            Doing::Ferment { of, share } => {
                let of = of % there;
                let liquid = self.books()[of].holds.liquid;
                let some = Kilograms::computed(liquid.extract().get() * share);
                let to = liquid.ferment(some).expect("not more than there is").liquid;
                if let Ok(gravity) = to.gravity() {
                    self.step(of, Step::Reads(gravity));
                }
            }
            Doing::Lose { of, share } => {
                let of = of % there;
                let left = Litres::new(self.volume(of) * (1.0 - share)).expect("a volume");
                self.step(of, Step::Holds(left));
            }
            Doing::Feed { of, honey, cost } => {
                let honey = honey * self.books()[of % there].holds.liquid.mass().get();
                let kg = |part: f64| Kilograms::computed(honey * part);
                let liquid = Liquid::of(kg(0.18), kg(0.82), kg(0.0)).expect("masses");
                let dose = dose(Substance::Honey, honey, Some(82.0));
                self.put(of % there, dose, liquid, cost);
            }
            Doing::Sulphite { of, kg } => {
                let dose = dose(Substance::PotassiumMetabisulphite, kg, None);
                self.put(of % there, dose, Liquid::NOTHING, 0.1);
            }
        }
    }
}

fn dose(of: Substance, kg: f64, extract: Option<f64>) -> Dose {
    Dose {
        of,
        mass: Kilograms::computed(kg),
        name: String::new(),
        extract: extract.map(MassPercent::computed),
    }
}

/// What is counted: mass, water, extract, ethanol, cost, sulphur dioxide.
fn counted(goods: &Goods) -> [f64; 6] {
    let liquid = goods.liquid;
    [
        liquid.mass().get(),
        liquid.water().get(),
        liquid.extract().get(),
        liquid.ethanol().get(),
        goods.cost,
        goods.given(sulphur_dioxide).get(),
    ]
}

/// What fermenting so much ethanol changed of it.
fn fermented(ethanol: f64) -> [f64; 6] {
    [
        -(CARBON_DIOXIDE_PER_ETHANOL + YEAST_PER_ETHANOL) * ethanol,
        0.0,
        -EXTRACT_PER_ETHANOL * ethanol,
        ethanol,
        0.0,
        0.0,
    ]
}

fn sum<'a>(rows: impl IntoIterator<Item = [f64; 6]> + 'a) -> [f64; 6] {
    rows.into_iter().fold([0.0; 6], |mut total, row| {
        for (t, r) in total.iter_mut().zip(row) {
            *t += r;
        }
        total
    })
}

fn found(book: &Book) -> Goods {
    Goods {
        liquid: book.found,
        ..Goods::default()
    }
}

fn close(a: [f64; 6], b: [f64; 6]) -> Result<(), TestCaseError> {
    for (n, (a, b)) in a.into_iter().zip(b).enumerate() {
        let off = (a - b).abs() / a.abs().max(b.abs()).max(1.0);
        prop_assert!(off < 1e-9, "row {n}: {a} against {b}");
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_sums_close(doings in prop::collection::vec(doing(), 1..24)) {
        let mut family = Family::of(20.0, 1.110, 80.0);
        for doing in doings {
            family.act(doing);
        }
        let books = family.books();
        for book in &books {
            prop_assert!(book.sure.makeup && book.sure.volume && book.sure.shares);
            let made = fermented(book.made.get());
            let came = [counted(&book.came), counted(&book.received), counted(&found(book)), made];
            let went = [counted(&book.holds), counted(&book.lost), counted(&book.poured)];
            close(sum(came), sum(went))?;
        }
        // Over the whole family what was poured is what was received.
        close(
            sum(books.iter().map(|b| counted(&b.poured))),
            sum(books.iter().map(|b| counted(&b.received))),
        )?;
        let put_in = books.iter().flat_map(|b| {
            [counted(&b.came), counted(&found(b)), fermented(b.made.get())]
        });
        let there = books.iter().flat_map(|b| [counted(&b.holds), counted(&b.lost)]);
        close(sum(put_in), sum(there))?;
    }

    /// Split and poured together again it is what it was.
    #[test]
    fn a_split_undone_changes_nothing(share in 0.05..0.95f64, gravity in 1.05..1.14f64, left in 0.0..0.9f64) {
        let mut family = Family::of(23.0, gravity, 60.0);
        family.act(Doing::Ferment { of: 0, share: 1.0 - left });
        let before = family.books()[0].clone();
        family.act(Doing::Split { of: 0, share });
        let (at, parent, child) = (family.now, 1, 0);
        let volume = Litres::new(family.volume(1)).ok();
        family.shares.push(Share { parent, child, at: Moment(at.0 + 1), volume });
        family.now = Moment(at.0 + 1);
        let after = &family.books()[0];
        close(counted(&before.holds), counted(&after.holds))?;
        prop_assert!((before.volume().unwrap().get() - after.volume().unwrap().get()).abs() < 1e-9);
    }
}
