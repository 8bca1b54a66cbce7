//! One mead's ledger: what came, what went, what is there.

use super::Step;
use super::goods::Goods;
use crate::deed::Substance;
use crate::liquid::{HYDROMETER, Liquid};
use crate::units::{AbvPercent, Gravity, Kilograms, Litres, MgPerLitre};

/// Stands in where no volume is known: strength does not depend on it.
const ANY_VOLUME: Litres = Litres::computed(10.0);

/// `came`, `received` and `found`, fermented, weigh what `holds`, `lost` and `poured` do.
#[derive(Clone, Debug, PartialEq)]
pub struct Book {
    pub holds: Goods,
    /// The must it began as, and what was put in.
    pub came: Goods,
    /// From other meads.
    pub received: Goods,
    /// Into other meads, or out of the house.
    pub poured: Goods,
    /// The share of what it then held that each pour took, in order of time.
    pub pours: Vec<f64>,
    /// Left behind with lees and hoses; costs nothing.
    pub lost: Goods,
    /// More was measured than the record explains.
    pub found: Liquid,
    /// Ethanol made.
    pub made: Kilograms,
    pub sure: Sure,
}

/// What can be told of a mead.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sure {
    /// Sugar and alcohol, per litre.
    pub makeup: bool,
    pub volume: bool,
    /// How much of what was given to the meads before it came along.
    pub shares: bool,
}

/// What so much of each of these would make together.
pub fn together(parts: &[(&Book, Option<Litres>)]) -> Book {
    let mut made = Book::empty();
    for (book, volume) in parts {
        made.receive(Book::clone(book).pour(*volume));
    }
    made
}

/// What was poured from one mead into another.
pub(super) struct Poured {
    goods: Goods,
    sure: Sure,
}

impl Book {
    /// A must; its gravity or volume may not be known.
    pub fn must(volume: Option<Litres>, gravity: Option<Gravity>, cost: f64) -> Book {
        let by = volume.unwrap_or(ANY_VOLUME);
        let water = Gravity::computed(1.0);
        let known = gravity.and_then(|g| Liquid::must(by, g).ok());
        let liquid = known
            .or_else(|| Liquid::must(by, water).ok())
            .unwrap_or(Liquid::NOTHING);
        let came = Goods {
            liquid,
            doses: Vec::new(),
            cost,
        };
        Book {
            holds: came.clone(),
            came,
            sure: Sure {
                makeup: known.is_some(),
                volume: volume.is_some(),
                shares: true,
            },
            ..Book::empty()
        }
    }

    /// Before the first part is poured in.
    pub fn empty() -> Book {
        Book {
            holds: Goods::default(),
            came: Goods::default(),
            received: Goods::default(),
            poured: Goods::default(),
            pours: Vec::new(),
            lost: Goods::default(),
            found: Liquid::NOTHING,
            made: Kilograms::computed(0.0),
            sure: Sure {
                makeup: true,
                volume: true,
                shares: true,
            },
        }
    }

    pub fn volume(&self) -> Option<Litres> {
        self.holds.liquid.volume().ok().filter(|_| self.sure.volume)
    }

    pub fn gravity(&self) -> Option<Gravity> {
        self.holds
            .liquid
            .gravity()
            .ok()
            .filter(|_| self.sure.makeup)
    }

    pub fn strength(&self) -> Option<AbvPercent> {
        self.holds
            .liquid
            .strength()
            .ok()
            .filter(|_| self.sure.makeup)
    }

    /// What it would have begun at, had everything been in from the start.
    pub fn original(&self) -> Option<Gravity> {
        let unfermented = self.holds.liquid.unfermented();
        unfermented.gravity().ok().filter(|_| self.sure.makeup)
    }

    /// What is in it of something it was given, if all of that is known.
    pub fn given(&self, share: impl Fn(Substance) -> Option<f64>) -> Option<Kilograms> {
        self.sure.shares.then(|| self.holds.given(share))
    }

    pub fn given_per_litre(&self, share: impl Fn(Substance) -> Option<f64>) -> Option<MgPerLitre> {
        let volume = self.volume().filter(|v| v.get() > 0.0)?;
        let given = self.given(share)?.get();
        Some(MgPerLitre::computed(given * 1e6 / volume.get()))
    }

    pub(super) fn step(&mut self, step: Step) {
        match step {
            Step::Reads(gravity) => self.reads(gravity),
            Step::In(goods) => {
                self.came = std::mem::take(&mut self.came).with(goods.clone());
                self.holds = std::mem::take(&mut self.holds).with(goods);
            }
            Step::Holds(volume) => self.is_down_to(volume),
            Step::Out(volume) => {
                let _ = self.pour(volume);
            }
        }
    }

    fn reads(&mut self, gravity: Gravity) {
        let Some(now) = self.gravity().map(Gravity::get) else {
            return;
        };
        if (now..=now + HYDROMETER).contains(&gravity.get()) {
            return;
        }
        match self.holds.liquid.ferment_to(gravity) {
            Ok(fermented) => {
                self.holds.liquid = fermented.liquid;
                self.made = Kilograms::computed(self.made.get() + fermented.ethanol.get());
            }
            // The log tells of something that cannot have been.
            Err(_) => self.sure.makeup = false,
        }
    }

    fn is_down_to(&mut self, volume: Litres) {
        let Ok(there) = self.holds.liquid.volume() else {
            self.sure.makeup = false;
            return;
        };
        let share = volume.get() / there.get();
        if !share.is_finite() {
            return;
        }
        if !self.sure.volume {
            self.resize(share);
            self.sure.volume = true;
        } else if share > 1.0 {
            self.find(share);
        } else {
            // What is left has to bear what all of it cost.
            let cost = std::mem::take(&mut self.holds.cost);
            self.lost = std::mem::take(&mut self.lost).with(self.holds.part(1.0 - share));
            self.holds = Goods {
                cost,
                ..self.holds.part(share)
            };
        }
    }

    /// What stood for any volume is known to be so many times as much.
    fn resize(&mut self, times: f64) {
        for goods in [
            &mut self.holds,
            &mut self.came,
            &mut self.received,
            &mut self.poured,
            &mut self.lost,
        ] {
            goods.liquid = goods.liquid.times(times);
        }
        self.found = self.found.times(times);
        self.made = Kilograms::computed(self.made.get() * times);
    }

    fn find(&mut self, times: f64) {
        self.found = self.found.with(self.holds.liquid.times(times - 1.0));
        self.holds.liquid = self.holds.liquid.times(times);
    }

    /// Takes some out. Of an unknown amount half is as good a guess as any, and is known to be one.
    pub(super) fn pour(&mut self, volume: Option<Litres>) -> Poured {
        let there = self.holds.liquid.volume().map_or(0.0, Litres::get);
        let (share, told) = match volume.map(Litres::get) {
            Some(wanted) if self.sure.volume && there > 0.0 => (wanted / there, true),
            _ => (0.5, false),
        };
        if share > 1.0 {
            self.find(share);
        }
        let mut goods = self.holds.part(share);
        self.holds = self.holds.part(1.0 - share.min(1.0));
        self.pours.push(share.clamp(0.0, 1.0));
        self.poured = std::mem::take(&mut self.poured).with(goods.clone());
        let mut sure = self.sure;
        if !told {
            self.sure.volume = false;
            self.sure.shares = false;
            sure.shares = false;
            sure.volume = false;
            let size = goods.liquid.volume().map_or(0.0, Litres::get);
            if let Some(wanted) = volume.filter(|_| size > 0.0) {
                goods.liquid = goods.liquid.times(wanted.get() / size);
                sure.volume = true;
            }
        }
        Poured { goods, sure }
    }

    pub(super) fn receive(&mut self, part: Poured) {
        let alone = self.holds.liquid == Liquid::NOTHING;
        // How strong a blend is hangs on how much of each there was.
        let mixed = alone || (self.sure.volume && part.sure.volume);
        self.sure = Sure {
            makeup: self.sure.makeup && part.sure.makeup && mixed,
            volume: self.sure.volume && part.sure.volume,
            shares: self.sure.shares && part.sure.shares,
        };
        self.received = std::mem::take(&mut self.received).with(part.goods.clone());
        self.holds = std::mem::take(&mut self.holds).with(part.goods);
    }
}
