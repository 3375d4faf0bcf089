//! What people do with a survey besides importing: begin it, join it, state setups and stages, invite.

use crate::ground::Ground;
use crate::home::{random, text};
use crate::invite::InviteText;
use crate::{Error, Home, Store};
use leadline_logbook::{DeviceKey, Founding, Invite, Op, Role};
use leadline_model::{Nonce, Setup, StageReading, SurveyId, Text, UtcMillis};

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
    home.store(&id)?.append(vec![vec![Op::Found(founding)]], &[], now)?;
    home.choose(&id)?;
    Ok(id)
}

/// Makes a one-time invite and the entry that lets any keeper honour it.
pub fn invite(
    home: &Home,
    store: &mut Store,
    valid_ms: i64,
    addresses: Vec<Text>,
    now: UtcMillis,
) -> Result<InviteText, Error> {
    let me = store.device();
    if !store.crew()?.is_keeper(&me) {
        return Err(Error::Request(
            "only an admitted keeper can invite; meet a device of the crew first (`leadline sync`)"
                .to_owned(),
        ));
    }
    let one_time: [u8; 32] = random();
    let expires = UtcMillis(now.0.saturating_add(valid_ms));
    let key = DeviceKey::from_seed(&one_time).id().0;
    store.append(vec![vec![Op::Invite(Invite { key, expires, role: Role::Keeper })]], &[], now)?;
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
    write_statement(store, now, |g| g.stage_op(reading))
}

/// States several stages in one entry. Returns how many of them are new.
pub fn add_stages(store: &mut Store, readings: Vec<StageReading>, now: UtcMillis) -> Result<usize, Error> {
    let ground = Ground::of(&store.survey_writes()?);
    let ops: Vec<Op> = readings.into_iter().filter_map(|r| ground.stage_op(r)).collect();
    let n = ops.len();
    // An entry holds at most 64 KiB and 1,024 writes.
    let groups: Vec<Vec<Op>> = ops.chunks(200).map(<[Op]>::to_vec).collect();
    if n > 0 {
        store.append(groups, &[], now)?;
    }
    Ok(n)
}

fn write_statement(
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
