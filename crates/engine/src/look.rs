//! The vessel as it stands, for `state`, `status` and `why`: one view, many renderings.

use crate::alarm::AlarmBook;
use crate::context::Context;
use crate::effect::OutputKind;
use crate::outputs::output;
use crate::vessel::{Run, Vessel};
use crate::view;
use quantity::{Stamp, Temperature, plato_from_sg};
use schedule::model::ExpectedFinal;

impl Vessel {
    /// The view of this vessel; `daemon` are the alarms that all vessels share.
    pub fn look(&self, cx: &Context<'_, '_>, daemon: &AlarmBook) -> view::State {
        let config = &cx.setup.config;
        let batch = self.batch.as_ref();
        let figures = self.figures();
        let until = |at: Option<Stamp>| at.map(|at| cx.wall(at));
        let known_final = batch.is_some_and(|b| b.expected_final != ExpectedFinal::Unknown);
        view::State {
            vessel: cx.name.clone(),
            at: cx.wall(cx.now),
            run: self.run.as_str().to_owned(),
            batch: batch.map(|batch| batch.id.clone()),
            parent: batch.and_then(|batch| batch.parent.clone()),
            batch_name: batch.and_then(|batch| batch.name.clone()),
            schedule: batch.map(|batch| batch.schedule.name.clone()),
            stage: self.stage_view(cx),
            target_c: self.target_c(cx),
            setpoint_c: self.setpoint.map(Temperature::celsius),
            beer_c: self.beer_now(config).or(self.beer.retained()).map(Temperature::celsius),
            surround_c: self
                .surround_now(config)
                .or(self.surround.retained())
                .map(Temperature::celsius),
            gravity: self.gravity_view(cx),
            attenuation: figures.apparent.zip(figures.real).map(|(apparent, real)| {
                view::Attenuation {
                    apparent_percent: apparent * 100.0,
                    sd: figures.apparent_sd.map(|sd| sd * 100.0),
                    progress_percent: figures.progress.filter(|_| known_final).map(|p| p * 100.0),
                    real_percent: real * 100.0,
                }
            }),
            abv_percent: figures.abv_percent,
            outputs: self.outputs_view(cx),
            cooler: None,
            waits_for: self.waits_for(cx),
            forecast: self.forecast_view(cx),
            packaging: self.packaging_view(cx),
            parked_c: self.parked.as_ref().map(|parked| parked.target.celsius()),
            parked_until: until(self.parked.as_ref().and_then(|parked| parked.until)),
            locked: self
                .locked
                .as_ref()
                .map(|locked| locked.because.clone())
                .or_else(|| self.locked_with.clone()),
            held_c: batch
                .filter(|_| self.run == Run::Held)
                .and_then(|batch| batch.held_at.or(self.setpoint))
                .map(Temperature::celsius),
            nudge: batch.filter(|_| self.is_in_stage()).and_then(|batch| {
                let nudge = batch.stage.nudge.as_ref()?;
                Some(view::Nudge {
                    by_c: nudge.by_kelvin(),
                    target_c: nudge.to().map(Temperature::celsius),
                    until: until(nudge.until()),
                    by: nudge.who().map(str::to_owned),
                })
            }),
            sources: self.sources_view(cx),
            alarms: alarms(&self.alarms, cx).chain(alarms(daemon, cx)).collect(),
        }
    }

    /// What came of a batch, for the end of a recorded or simulated run.
    pub fn summary(&self, cx: &Context<'_, '_>) -> Option<view::Summary> {
        let batch = self.batch.as_ref()?;
        let figures = self.figures();
        let stages = batch.done.iter().map(|done| view::StageSummary {
            name: done.name.clone(),
            entered: cx.wall(done.entered_at),
            left: done.left_at.map(|at| cx.wall(at)),
            because: done.left_at.map(|_| done.because.clone()),
        });
        let measured = |m: belief::Measured| view::Measured { sg: m.value, sd: m.sd };
        let stable = batch.belief.stable(
            quantity::GravityDelta::Points(1.0),
            quantity::Span::from_hours(48),
            batch.confidence(),
            belief::Care::Safe,
        );
        Some(view::Summary {
            stages: stages.collect(),
            gravity: figures.sg.map(measured),
            attenuation: figures.apparent.zip(figures.real).map(|(apparent, real)| {
                view::AttenuationSummary {
                    apparent_percent: apparent * 100.0,
                    real_percent: real * 100.0,
                }
            }),
            abv_percent: figures.abv_percent,
            final_gravity: batch.belief.final_gravity().map(measured),
            stable: stable.answer == Some(true),
            run: self.run.as_str().to_owned(),
        })
    }

    fn stage_view(&self, cx: &Context<'_, '_>) -> Option<view::Stage> {
        let batch = self.batch.as_ref().filter(|_| self.is_in_stage())?;
        Some(view::Stage {
            index: batch.stage.index + 1,
            of: batch.schedule.stages.len(),
            name: batch.stage().name.clone(),
            since: cx.wall(batch.stage.entered_at),
        })
    }

    fn target_c(&self, cx: &Context<'_, '_>) -> Option<f64> {
        self.batch.as_ref().filter(|_| self.is_in_stage())?;
        self.stage_end(&cx.setup.config).map(Temperature::celsius)
    }

    fn gravity_view(&self, cx: &Context<'_, '_>) -> Option<view::Gravity> {
        let estimate = self.batch.as_ref()?.belief.estimate()?;
        Some(view::Gravity {
            sg: estimate.sg.value,
            sd: estimate.sg.sd,
            plato: plato_from_sg(estimate.sg.value),
            rate_points_per_day: Some(estimate.rate_points_per_day.value),
            as_of: cx.wall(estimate.as_of),
        })
    }

    fn outputs_view(&self, cx: &Context<'_, '_>) -> view::Outputs {
        let word = |kind| {
            output(&cx.setup.config, kind).map(|_| {
                let on = self.told.get(&kind).is_some_and(|told| told.on);
                if on { "on" } else { "off" }.to_owned()
            })
        };
        view::Outputs {
            heater: word(OutputKind::Heater),
            chiller: word(OutputKind::Chiller),
            because: self.because.text(cx, self.regulator_lag),
            heater_wear: self.wear_view(cx, OutputKind::Heater),
            chiller_wear: self.wear_view(cx, OutputKind::Chiller),
            warmth: self.warmth_view(cx),
        }
    }

    fn waits_for(&self, cx: &Context<'_, '_>) -> Vec<view::Waiting> {
        let Some(batch) = self.batch.as_ref().filter(|_| self.is_in_stage()) else {
            return Vec::new();
        };
        let stage = batch.stage();
        let finding = self.finding(cx, &stage.until);
        let mut waits: Vec<view::Waiting> = finding
            .map(|finding| finding.verdicts)
            .unwrap_or_default()
            .into_iter()
            .map(|verdict| view::Waiting {
                milestone: verdict.milestone,
                answer: verdict.answer.as_str().to_owned(),
                now: verdict.now,
                needs: verdict.needs,
            })
            .collect();
        if let Some(least) = stage.at_least {
            let elapsed = batch.elapsed(cx.now);
            waits.push(view::Waiting {
                milestone: format!("at least {least} in this stage"),
                answer: if elapsed >= least { "yes" } else { "no" }.to_owned(),
                now: format!("{elapsed} in this stage"),
                needs: format!("{least}"),
            });
        }
        waits
    }

    fn sources_view(&self, cx: &Context<'_, '_>) -> Vec<view::Source> {
        let config = &cx.setup.config;
        let reports = self.batch.as_ref().map(|batch| batch.belief.sources()).unwrap_or_default();
        let plain = |name: &str, at: Option<Stamp>| view::Source {
            name: name.to_owned(),
            kind: name.to_owned(),
            last: at.map(|at| cx.wall(at)),
            offset_points: None,
            battery_percent: None,
            battery_days_left: None,
            caution: None,
        };
        let mut sources = Vec::new();
        for name in config.gravity.keys() {
            let float = self.floats.get(name.as_str());
            let report = reports.iter().find(|report| report.name == name.as_str());
            sources.push(view::Source {
                name: name.to_string(),
                kind: "gravity".to_owned(),
                last: float.and_then(|float| float.heard).map(|at| cx.wall(at)),
                offset_points: report.and_then(|report| report.offset).map(|offset| offset.value),
                battery_percent: float.and_then(|float| float.battery),
                battery_days_left: float.and_then(|float| float.battery_days_left(cx.now)),
                caution: self.source_caution(cx, name.as_str()),
            });
        }
        if config.beer.is_some() {
            sources.push(plain("beer", self.beer.heard()));
        }
        if config.surround.is_some() {
            sources.push(plain("surround", self.surround.heard()));
        }
        sources
    }

    fn is_in_stage(&self) -> bool {
        matches!(self.run, Run::Running | Run::Held)
    }
}

fn alarms<'a>(
    book: &'a AlarmBook,
    cx: &'a Context<'_, '_>,
) -> impl Iterator<Item = view::Alarm> + 'a {
    book.standing().map(|(id, standing)| view::Alarm {
        id: id.clone(),
        priority: standing.priority.as_str().to_owned(),
        since: cx.wall(standing.since),
        acknowledged: standing.acknowledged,
        shelved_until: book.shelved_until(id).map(|until| cx.wall(until)),
        text: standing.text.clone(),
    })
}
