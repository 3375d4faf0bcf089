//! What people do with a survey besides importing and deciding: begin it, join it, invite, state setups, stages, water.

use crate::ground::Ground;
use crate::home::{random, text};
use crate::invite::InviteText;
use crate::{Error, Home, Store};
use leadline_logbook::{DeviceKey, Founding, Invite, Op, Role};
use leadline_model::{
    GridPos, Nonce, Setup, Shoreline, SpeedLimits, StageReading, SurveyId, Text, UtcMillis, WaterCast,
};

/// How long an invite is honoured if nothing else is said: two days, a weekend at the water.
pub const INVITE_MILLIS: i64 = 48 * 3600 * 1000;

/// Begins a survey and makes it the current one.
pub fn found_survey(home: &Home, name: &Text, datum: &Text, now: UtcMillis) -> Result<SurveyId, Error> {
    if home.surveys()?.iter().any(|s| s.name.as_deref() == Some(name.as_str())) {
        return Err(Error::Request(format!(
            "this home has a survey called {name} already; take another name, or `leadline survey use {name}`"
        )));
    }
    let founding = Founding {
        nonce: Nonce(random()),
        name: name.clone(),
        datum: datum.clone(),
        device_name: home.device_name()?,
    };
    let id = founding.survey_id(&home.key().id());
    home.keep_secret(&id, &random())?;
    // Chosen first: once the entry is durable, nothing is left to be done.
    let before = home.chosen()?;
    home.choose(&id)?;
    let begun = home.store(&id).and_then(|mut s| s.append(vec![vec![Op::Found(founding)]], &[], now));
    begun.inspect_err(|_| drop(home.choose_again(before)))?;
    Ok(id)
}

/// Makes a one-time invite for a device of this role, and the entry that lets any keeper honour it.
pub fn invite(
    home: &Home,
    store: &mut Store,
    role: Role,
    valid_ms: i64,
    addresses: Vec<Text>,
    now: UtcMillis,
) -> Result<InviteText, Error> {
    let me = store.device();
    let crew = store.crew()?;
    if !crew.is_keeper(&me) {
        return Err(Error::NotKeeper);
    }
    if crew.is_full(store.limits()) {
        return Err(leadline_logbook::InviteRefusal::Full.into());
    }
    let one_time: [u8; 32] = random();
    let expires = UtcMillis(now.0.saturating_add(valid_ms));
    let key = DeviceKey::from_seed(&one_time).id().0;
    store.append(vec![vec![Op::Invite(Invite { key, expires, role })]], &[], now)?;
    let (name, _) =
        store.name()?.ok_or_else(|| Error::Request("the survey's first entry is missing".to_owned()))?;
    let secret = home.secret(&store.survey())?;
    Ok(InviteText { survey: store.survey(), name, secret, one_time, expires, by: me, addresses })
}

/// Keeps what an invite carries. The crew admits this device when it meets one of them.
pub fn join(home: &Home, invite: &InviteText, now: UtcMillis) -> Result<SurveyId, Error> {
    if now > invite.expires {
        return Err(leadline_logbook::InviteRefusal::Expired.into());
    }
    home.keep_secret(&invite.survey, &invite.secret)?;
    let mut store = home.store(&invite.survey)?;
    store.keep_invite(&invite.one_time, &invite.name)?;
    home.choose(&invite.survey)?;
    Ok(invite.survey)
}

/// States a boat's setup. False if exactly this stands already.
pub fn set_boat(store: &mut Store, setup: Setup, now: UtcMillis) -> Result<bool, Error> {
    write_statement(store, now, |g| g.setup_op(setup))
}

/// States a stage. False if exactly this stands already.
pub fn add_stage(store: &mut Store, reading: StageReading, now: UtcMillis) -> Result<bool, Error> {
    Ok(add_stages(store, vec![reading], now)? > 0)
}

/// States several stages as a person typed them. Returns how many of them are new.
pub fn add_stages(store: &mut Store, readings: Vec<StageReading>, now: UtcMillis) -> Result<usize, Error> {
    let ops = Ground::of(&store.survey_writes()?).stage_ops(readings);
    let n = ops.iter().filter(|op| matches!(op, Op::Stage { .. })).count();
    write_ops(store, ops, now)?;
    Ok(n)
}

/// States the record of a gauge, as read from `from`. Returns how many of its readings are new.
pub fn add_series(
    store: &mut Store,
    gauge: &Text,
    from: &Text,
    readings: &[(UtcMillis, i32)],
    now: UtcMillis,
) -> Result<usize, Error> {
    let (ops, new) = Ground::of(&store.survey_writes()?).series_ops(gauge, from, readings);
    write_ops(store, ops, now)?;
    Ok(new)
}

/// States a cast of the water. False if exactly this stands already.
pub fn add_cast(store: &mut Store, cast: WaterCast, now: UtcMillis) -> Result<bool, Error> {
    write_statement(store, now, |g| g.cast_op(cast))
}

/// States where a gauge's zero lies (mm above the sounding datum) and where it stands; what is not said stays as it
/// was. False if it says nothing new.
pub fn set_gauge(
    store: &mut Store,
    name: &Text,
    zero_mm: Option<i32>,
    place: Option<GridPos>,
    now: UtcMillis,
) -> Result<bool, Error> {
    write_statement(store, now, |g| g.gauge_op(name, zero_mm, place))
}

/// States the centre line of flowing water; an empty one says that the water does not flow. False if exactly this
/// stands already.
pub fn set_river(store: &mut Store, line: Vec<GridPos>, now: UtcMillis) -> Result<bool, Error> {
    write_statement(store, now, |g| g.river_op(line))
}

/// States the edge of the water; one without rings takes it away. False if exactly this stands already.
pub fn set_shore(store: &mut Store, shore: Shoreline, now: UtcMillis) -> Result<bool, Error> {
    write_statement(store, now, |g| g.shore_op(shore))
}

/// States how fast boats may go while they sound. False if exactly this stands already.
pub fn set_speeds(store: &mut Store, limits: SpeedLimits, now: UtcMillis) -> Result<bool, Error> {
    write_statement(store, now, |g| g.speeds_op(limits))
}

/// Writes statements in few entries: an entry holds at most 64 KiB and 1,024 writes, and a full series fills one.
pub(crate) fn write_ops(store: &mut Store, ops: Vec<Op>, now: UtcMillis) -> Result<(), Error> {
    let (long, short): (Vec<Op>, Vec<Op>) = ops.into_iter().partition(|op| matches!(op, Op::Series { .. }));
    let groups: Vec<Vec<Op>> =
        short.chunks(200).map(<[Op]>::to_vec).chain(long.into_iter().map(|op| vec![op])).collect();
    if !groups.is_empty() {
        store.append(groups, &[], now)?;
    }
    Ok(())
}

/// Writes the statement that `op` makes of what stands. False if it says nothing new.
pub(crate) fn write_statement(
    store: &mut Store,
    now: UtcMillis,
    op: impl FnOnce(&Ground) -> Option<Op>,
) -> Result<bool, Error> {
    let ground = Ground::of(&store.survey_writes()?);
    match op(&ground) {
        Some(op) => store.append(vec![vec![op]], &[], now).map(|_| true),
        None => Ok(false),
    }
}

/// A text for a field, with the field's name in the error.
pub fn field(what: &'static str, s: &str) -> Result<Text, Error> {
    text(what, s)
}
