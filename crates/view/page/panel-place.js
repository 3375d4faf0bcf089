// A place that was touched: its depth today, who says so, what may be done about it; and profile and distance.
(function () {
    'use strict';
    const leadline = window.leadline;
    const { h } = leadline;

    let place = null; // {at, mark, told} or {at, waiting}
    let result = null; // a profile, a distance or an area that was drawn

    leadline.on('tap', async ({ at, mark }) => {
        place = { at, mark, waiting: true };
        result = null;
        leadline.chartMap.touched(at);
        leadline.sheets.show('place', false);
        leadline.chartMap.reveal(at);
        const asked = place;
        try {
            asked.told = await leadline.source.touch(at[0], at[1]);
        } catch (error) {
            asked.error = leadline.refusal(error);
        }
        asked.waiting = false;
        if (asked === place) {
            leadline.sheets.again('place');
            leadline.hear(spoken(asked));
        }
    });
    // Other data: what is told of the place is asked for anew, and stays until the answer is there.
    leadline.on('chart', async () => {
        const asked = place;
        if (!asked || leadline.sheets.open() !== 'place') return;
        await leadline.attempt(async () => {
            asked.told = await leadline.source.touch(asked.at[0], asked.at[1]);
        });
        if (asked === place) leadline.sheets.again('place');
    });
    leadline.on('closed', (name) => {
        if (name !== 'place') return;
        leadline.chartMap.touched(null);
        if (!leadline.pen.busy()) leadline.pen.clear();
    });

    const today = (depth) => depth + leadline.state.stage;
    const words = () => leadline.words.place;

    function spoken({ told, error }) {
        if (error) return error;
        if (typeof told.depth_m !== 'number') return words().unknown;
        return words().spoken(depthText(told.depth_m), leadline.height(told.tvu95_m || 0), leadline.words.layers.grades[told.grade] || '');
    }

    const depthText = (depth) => (today(depth) < 0 ? words().driesBy(leadline.depthNumber(-today(depth)), leadline.state.units) : leadline.depth(today(depth)));

    function head(told) {
        const w = words();
        if (typeof told.depth_m !== 'number') return [h('p', { class: 'big' }, w.unknown), h('p', null, w.unknownWhy)];
        const touches = typeof told.safe_m === 'number' && today(told.safe_m) < leadline.state.draft + leadline.state.room;
        return [
            h('p', { class: 'big', id: 'place-depth' }, depthText(told.depth_m), h('small', null, ` \u00b1 ${leadline.height(told.tvu95_m || 0)} ${w.likely}`)),
            typeof told.safe_m === 'number' && h('p', null, w.safe(depthText(told.safe_m))),
            touches && h('p', { class: 'touches' }, w.touches(leadline.height(leadline.state.draft), leadline.height(leadline.state.room))),
            h('p', null, h('b', null, leadline.words.layers.grades[told.grade] || leadline.words.layers.grades.between), ` \u00b7 ${w.basis[told.basis] || ''}`),
            told.newest_utc && h('p', null, w.newest(leadline.when(told.newest_utc))),
        ];
    }

    function dispute(told) {
        if (!told.dispute) return null;
        const w = words();
        const d = told.dispute;
        return h('section', { class: 'dispute' }, h('h3', null, w.disputed),
            d.why && h('p', null, leadline.plain(d.why)),
            typeof d.believed_m === 'number' && h('p', null, w.believed(depthText(d.believed_m))),
            (d.others || []).length > 0 && h('p', null, w.others((d.others || []).map((o) => depthText(typeof o === 'number' ? o : o.depth_m)).join(', '))));
    }

    function measured(told) {
        const list = told.measured || [];
        if (!list.length) return leadline.source.pocket ? h('p', { class: 'quiet' }, leadline.words.pocket.who) : null;
        const w = words();
        return h('section', null, h('h3', null, w.who), h('ul', { class: 'cards' }, list.slice(0, 60).map((m) => h('li', m.used === false ? { class: 'unused' } : null,
            h('b', null, `${depthText(m.depth_m)} \u00b1 ${leadline.height(m.tvu95_m || 0)}`), ` ${leadline.words.layers.grades[m.grade] || leadline.plain(m.grade)}`,
            h('br'), `${leadline.plain(m.boat)} \u00b7 ${leadline.when(m.utc)}`, h('br'),
            h('small', null, w.by(leadline.plain(m.device), m.pass), m.used === false ? ` \u00b7 ${w.notUsed}${m.void ? `: ${leadline.plain(m.void)}` : ''}` : ''),
            terms(m), leadline.chart.may_write && leadline.button(w.leaveOutStretch, () => stretch(m))))));
    }

    /** A stretch of one boat's time, a minute to each side unless it is said otherwise. */
    async function stretch(m) {
        const w = words();
        const near = (seconds) => new Date(Date.parse(m.utc) + 1000 * seconds).toISOString().replace('.000', '');
        const got = await leadline.ask(w.stretchOf(leadline.plain(m.boat)), [
            ['from', leadline.field(leadline.words.who.from, h('input', { type: 'text', required: true, value: near(-60) }))],
            ['to', leadline.field(leadline.words.who.to, h('input', { type: 'text', required: true, value: near(60) }))],
        ], w.next);
        if (got) await leaveOut({ boat: m.boat, from: got.from, to: got.to }, w.stretchOf(leadline.plain(m.boat)));
    }

    /** Each step from the number on the sounder to the depth on the map. */
    function terms(m) {
        if (!(m.terms || []).length) return null;
        const w = words();
        return h('details', null, h('summary', null, w.explain), h('table', null,
            h('thead', null, h('tr', null, [w.term, w.change, w.sigma].map((t) => h('th', { scope: 'col' }, t)))),
            h('tbody', null, m.terms.map((t) => h('tr', null, h('th', { scope: 'row' }, leadline.plain(t.name)),
                h('td', null, typeof t.depth_m === 'number' ? leadline.height(t.depth_m, true) : ''), h('td', null, typeof t.u95_m === 'number' ? leadline.height(t.u95_m) : ''))))));
    }

    function acts(told) {
        if (!leadline.chart.may_write) return h('p', { class: 'quiet' }, leadline.source.pocket ? leadline.words.pocket.acts : words().readOnly);
        const w = words();
        return h('div', { class: 'row' },
            told.basis === 'cell' && leadline.button(w.leaveOutCell, () => leaveOut({ cell: place.at }, w.leaveOutCell), { id: 'leave-out-cell' }),
            leadline.button(w.mark, addMark, { id: 'add-mark' }));
    }

    /** Leaves out with a reason, and offers to take it back. */
    async function leaveOut(scope, title) {
        const w = words();
        const got = await leadline.ask(title, [['why', leadline.field(w.why, h('input', { type: 'text', required: true, maxlength: 250 }), w.whyHint)]], w.leaveOut, w.leaveOutNote);
        if (!got) return;
        await leadline.attempt(async () => {
            const { id } = await leadline.source.act('leave-out', { scope, why: got.why });
            result = { undo: id };
            await leadline.refresh();
            leadline.say(w.leftOut);
            leadline.sheets.show('place', false);
        });
    }

    async function takeBack(id) {
        await leadline.attempt(async () => {
            await leadline.source.act('take-back', { id, why: words().undone });
            result = null;
            await leadline.refresh();
            leadline.say(words().tookBack);
            leadline.sheets.again('place', 'do');
        });
    }
    leadline.takeBack = takeBack;

    async function addMark() {
        const w = words();
        const at = place.at;
        const got = await leadline.ask(w.mark, [
            ['kind', leadline.field(w.markKind, leadline.select(Object.entries(w.kinds), 'hazard'))],
            ['name', leadline.field(w.markName, h('input', { type: 'text', maxlength: 100, required: true }))],
            ['note', leadline.field(w.markNote, h('input', { type: 'text', maxlength: 250 }))],
            ['depth', leadline.field(w.markDepth(leadline.state.units), h('input', { type: 'number', step: 'any', inputmode: 'decimal' }), w.markDepthHint)],
            ['share', leadline.field(w.markShare, h('input', { type: 'checkbox' }), w.markShareHint)],
        ], w.markGo);
        if (!got) return;
        await leadline.attempt(async () => {
            // Marks say the depth below the sounding datum; a person says what is there today.
            const depth = got.depth === '' ? null : Number(got.depth) * leadline.unit().metres - leadline.state.stage;
            await leadline.source.act('mark', { lon: at[0], lat: at[1], kind: got.kind, name: got.name, note: got.note, depth_m: depth, share: got.share });
            leadline.set({ layers: { ...leadline.state.layers, marks: true } });
            leadline.overlays.forget(['marks']);
            leadline.say(got.share ? w.markShared : w.markKept);
        });
    }

    function markCard() {
        const mark = place && place.mark;
        if (!mark) return null;
        const w = words();
        const id = mark.get('id');
        const isPrivate = mark.get('shared') === false || mark.get('private') === true;
        const act = (name, said) => () => leadline.attempt(async () => {
            await leadline.source.act(`mark/${name}`, { id });
            leadline.overlays.forget(['marks']);
            place.mark = null;
            leadline.sheets.again('place');
            leadline.say(said);
        });
        return h('section', { class: 'mark' }, h('h3', null, leadline.plain(mark.get('name') || mark.get('kind'))),
            h('p', null, [w.kinds[mark.get('kind')] || leadline.plain(mark.get('kind')), leadline.plain(mark.get('note') || '')].filter(Boolean).join(' \u00b7 ')),
            h('p', { class: 'quiet' }, isPrivate ? w.markPrivate : w.markOfCrew),
            leadline.chart.may_write && id !== undefined && h('div', { class: 'row' }, isPrivate && leadline.button(w.share, act('share', w.markShared)), leadline.button(w.remove, act('remove', w.markRemoved))));
    }

    async function drawProfile() {
        const line = await leadline.pen.start('line', words().profileHint);
        if (!line) return;
        await leadline.attempt(async () => {
            result = { profile: await leadline.source.profile(line) };
            leadline.sheets.show('place', false);
            leadline.say(words().profileOf(leadline.distance(result.profile.length_m)));
        });
    }

    async function drawDistance() {
        const line = await leadline.pen.start('line', words().distanceHint);
        if (!line) return;
        result = { distance: leadline.pen.length(line) };
        leadline.sheets.show('place', false);
        leadline.say(words().distanceIs(leadline.distance(result.distance)));
    }

    async function drawArea() {
        const ring = await leadline.pen.start('area', words().areaHint);
        if (!ring) return;
        result = { area: ring };
        leadline.sheets.show('place', false);
        leaveOut({ area: ring }, words().leaveOutArea(leadline.pen.area(ring)));
    }

    function outcome() {
        const w = words();
        if (!result) return null;
        if (result.undo) return h('p', { class: 'undo' }, w.leftOut, ' ', leadline.button(w.undo, () => takeBack(result.undo), { id: 'undo' }));
        if (result.profile) return h('section', null, h('h3', null, w.profileOf(leadline.distance(result.profile.length_m))), leadline.profilePicture(result.profile));
        if (result.distance) return h('p', { class: 'big', id: 'distance' }, leadline.distance(result.distance));
        return null;
    }

    leadline.sheet('place', (box) => {
        const w = words();
        box.append(outcome() || '');
        const showPlace = place && !(result && (result.profile || result.distance));
        if (showPlace) {
            box.append(h('p', { class: 'quiet' }, `${leadline.placeText(place.at)} \u00b7 ${w.atStage(leadline.height(leadline.state.stage, true))}`), markCard() || '');
            if (place.waiting) box.append(h('p', null, w.asking));
            else if (place.error) box.append(h('p', { class: 'bad' }, place.error));
            else {
                const { told } = place;
                box.append(...[...head(told), told.near_mark && h('p', null, w.nearMark(leadline.plain(told.near_mark.name), leadline.distance(told.near_mark.distance_m))), dispute(told), acts(told), measured(told)].filter(Boolean));
            }
        } else if (!result) box.append(h('p', null, w.none));
        box.append(h('h3', null, w.tools), h('div', { class: 'row' },
            leadline.button(w.profile, drawProfile, { id: 'draw-profile' }), leadline.button(w.distance, drawDistance, { id: 'draw-distance' }),
            leadline.chart.may_write && leadline.button(w.area, drawArea, { id: 'draw-area' })));
    });
})();
