//! A float that a person takes out of the beer, brings back or replaces.

use crate::belief::Belief;
use crate::ear::Ear;
use crate::source::Source;
use crate::trend::TrendBank;

/// How probable it is that a float which was out of the beer reads otherwise than before: yeast was
/// wiped off, or it hangs on something else. No source.
const MOVED_OUTSIDE: f64 = 0.3;

impl Belief {
    /// This float is out of the beer: what it reads is to be kept from here until it is back.
    pub fn set_aside(&mut self, name: &str) {
        let Some(source) = self.sources.get_mut(name) else { return };
        source.is_aside = true;
        self.beside.leave_out(name);
        self.choose_lead();
    }

    /// It is back in the beer: its next readings tell whether it moved.
    pub fn bring_back(&mut self, name: &str) {
        let time = self.hours(self.now);
        let Some(source) = self.sources.get_mut(name).filter(|source| source.is_aside) else {
            return;
        };
        source.is_back(time);
        self.beside.forget(name);
        let joint = self.joint.as_ref().map_or(0.0, |joint| joint.at());
        self.bring_to(time.max(self.ear.trend.at()).max(joint));
        if let Some(joint) = &mut self.joint
            && let Some(float) = joint.index(name)
        {
            joint.may_have_moved(float, MOVED_OUTSIDE);
        }
        if let Some(ear) = self.ear_mut(name) {
            ear.trend.may_have_moved(MOVED_OUTSIDE);
        }
    }

    /// Another float is in its place: its zero and its noise are not known, and its course is gone.
    pub fn exchange(&mut self, name: &str) {
        let Some(source) = self.sources.get_mut(name) else { return };
        source.is_another();
        self.beside.forget(name);
        self.must_not_lead(name);
        if self.leads(name) {
            let beer = match &self.joint {
                Some(joint) => TrendBank::holding(joint.at(), &joint.held()),
                None => TrendBank::holding(self.ear.trend.at(), &self.ear.trend.held()),
            };
            self.ear = Ear::new(beer).into();
        } else {
            self.others.remove(name);
        }
        self.begin_joint();
    }

    /// Another float leads from now on, if there is one that can.
    fn must_not_lead(&mut self, name: &str) {
        let set = |belief: &mut Self, aside| {
            if let Some(source) = belief.sources.get_mut(name) {
                source.is_aside = aside;
            }
        };
        set(self, true);
        self.choose_lead();
        set(self, false);
    }

    /// Floats that turned out to have moved while they were out, and by how many points; each is
    /// told once.
    pub fn take_moved_outside(&mut self) -> Vec<(String, f64)> {
        let moved = |(name, source): (&String, &mut Source)| {
            Some((name.clone(), source.moved_outside.take()?))
        };
        self.sources.iter_mut().filter_map(moved).collect()
    }
}
