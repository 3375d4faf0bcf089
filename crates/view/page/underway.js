// On the water: the boat that records now, in five things: what lies ahead, the map round the boat, the depth, the next
// run, and the signs of life. Nothing here ever says that water is clear.
(function () {
    'use strict';
    const leadline = window.leadline;
    const ol = window.ol;
    const { h } = leadline;
    const OPEN_MS = 1000, SHUT_MS = 5000;
    const MOST_WAKE = 120;
    const LOST_MS = 4000; // Without an answer for so long nothing shown is now.

    let open = false, follow = true, sound = false, ears = null;
    /** Where the boat was since the trail was last graded. */
    let wake = [];
    let now = null, heard = 0, timer = 0, trailOf = null, said = '', beeped = 0, lock = null;

    const w = () => leadline.words.underway;
    const el = (id) => document.getElementById(id);

    /** Asks how the recording stands, and again in a while. A page that is open never stops asking. */
    async function ask() {
        clearTimeout(timer);
        const { stage, draft, room } = leadline.state;
        try {
            now = await leadline.source.read('api/now', { stage, draft: draft || undefined, room });
            heard = performance.now();
        } catch {
            /* What is shown grows old, and says so. */
        }
        await leadline.attempt(grow);
        show();
        timer = setTimeout(ask, open ? OPEN_MS : SHUT_MS);
    }

    /** New soundings of the open leg: tiles under them and the trail are read again. */
    async function grow() {
        const grown = (now && now.grown) || null;
        const number = grown ? grown.number : 0;
        leadline.water.grow(grown);
        if (!open) return;
        if (number === trailOf) return;
        trailOf = number;
        const { trail, crew } = await leadline.source.read('api/trail');
        drawTrail(trail || [], crew || []);
        // The trail ends a few seconds behind the boat; the wake goes on from there.
        const last = trail && trail.length && ol.fromLonLat(trail[trail.length - 1]);
        if (last) wake = [last, ...wake.slice(wake.findIndex((p) => p === nearest(last)) + 1)];
    }

    /** The place of the wake nearest to one. */
    const nearest = ([x, y]) => wake.reduce((best, p) => (!best || Math.hypot(p[0] - x, p[1] - y) < Math.hypot(best[0] - x, best[1] - y) ? p : best), null);

    const lost = () => performance.now() - heard > LOST_MS;
    /** Seconds since the answer: ages on the page grow even when no answer comes. */
    const since = () => (performance.now() - heard) / 1000;

    function show() {
        const on = Boolean(now && now.recording);
        const bar = el('go-underway');
        bar.hidden = open || !on;
        if (on) bar.textContent = w().go(leadline.plain(now.boat.name));
        if (!open) return;
        ahead();
        depth();
        line();
        life();
        boat();
    }

    // 1. What lies ahead.
    function ahead() {
        const [kind, big, small] = aheadWords();
        const box = el('uw-ahead');
        box.className = `uw ${kind}`;
        box.replaceChildren(h('b', null, big), h('span', null, small));
        const spoken = `${big}. ${small}`;
        if (kind !== said) el('uw-alert').textContent = spoken;
        said = kind;
        if (kind === 'touch' && sound && performance.now() - beeped > 2500) beep();
    }

    function aheadWords() {
        if (!now || !now.recording) return ['blind', w().blind, w().notRecording];
        if (lost() || now.boat.stale) return ['blind', w().blind, w().old(Math.round(since() + now.boat.state_age_s))];
        const a = now.ahead;
        if (now.under_touches && !now.boat.depth_stopped) return ['touch', w().touch, w().touchHere(leadline.depth(now.boat.depth_m), leadline.depth(now.need_m))];
        if (!a) return ['blind', w().blind, w().computing];
        if (a.blind) return ['blind', w().blind, w().noFix];
        if (a.touch) return ['touch', w().touch, w().touchAhead(a.touch, a.still, a.touch.depth_m === null ? null : leadline.depth(a.touch.depth_m))];
        if (a.unknown_m !== null) return ['unknown', w().unknown, w().unknownAt(a.unknown_m, a.still)];
        return ['found', w().noneFound(a.looked_m, a.still), w().least(leadline.depth(a.least_m), leadline.depth(now.need_m), now.draft_assumed)];
    }

    // 2. The depth, to be read from two metres.
    function depth() {
        const box = el('uw-depth');
        const b = now && now.boat;
        const dead = !b || !now.recording || lost() || b.stale || b.depth_stopped || b.depth_m === null;
        box.classList.toggle('dead', dead);
        if (dead) {
            const why = b && b.depth_m !== null && b.depth_age_s !== null ? w().depthStopped(Math.round(b.depth_age_s + since()), leadline.depth(b.depth_m)) : w().noDepth;
            box.replaceChildren(h('b', null, '\u2013'), h('span', null, why));
            return;
        }
        box.replaceChildren(h('b', null, leadline.depthNumber(b.depth_m), h('i', null, leadline.state.units)), h('span', null, w().below[b.depth_below]));
    }

    // 3. The next run.
    function line() {
        const [big, small] = lineWords();
        el('uw-line').replaceChildren(h('b', null, big), h('span', null, small));
    }

    function lineWords() {
        const n = now && now.recording && !lost() && !now.boat.stale ? now.next : null;
        if (!n) return [w().noLine, ''];
        if (n.wait) return [w().planning, ''];
        if (n.none) return [w().noRun, leadline.plain(n.none)];
        if (n.blind) return [w().noLine, w().noFix];
        if (!n.run) return [w().allDriven, ''];
        const r = n.run;
        const off = r.off_m < 10 ? r.off_m.toFixed(1) : Math.round(r.off_m);
        if (r.beside) {
            const where = r.side ? w().lies[r.side] : r.off_m <= 2 ? w().onLine : w().toward(r.bearing_deg);
            return [w().off(off, where), w().run(r.number, r.left_m, n.left)];
        }
        const turn = r.turn_deg === null ? w().bearing(r.bearing_deg) : w().turn(r.turn_deg);
        return [w().start(leadline.distance(r.distance_m), turn), w().runAhead(r.number, Math.round(r.length_m), n.left)];
    }

    // 4. The signs of life, and what is wrong.
    function life() {
        const box = el('uw-life');
        const b = now && now.recording ? now.boat : null;
        const bad = [];
        if (lost()) bad.push(w().noAnswer(Math.round(since())));
        if (now && !now.recording) bad.push(w().ended);
        const signs = ['depth', 'fix', 'time'].map((name) => {
            const age = b && b[`${name}_age_s`] !== null ? b[`${name}_age_s`] + since() : null;
            const stopped = !b || b[`${name}_stopped`] || age === null || age > 5;
            return h('span', { class: stopped ? 'sign stopped' : 'sign' }, stopped ? w().stopped(w().signs[name], age) : w().alive(w().signs[name], age));
        });
        if (b && b.stale) bad.push(w().staleState(Math.round(b.state_age_s + since())));
        if (b) bad.push(...b.troubles.map(leadline.plain));
        if (b && now.near_home) bad.push(w().nearHome);
        const going = b && !lost() && !b.stale ? w().going(b.speed_m_s, b.course_deg) : '';
        box.replaceChildren(
            bad.length ? h('p', { class: 'uw-bad' }, [...new Set(bad)].slice(0, 3).join('. ')) : '',
            h('p', null, signs, h('span', { class: 'sign' }, going)));
    }

    // 5. The map round the boat.
    function boat() {
        const source = leadline.overlays.source('boat');
        source.clear();
        const b = now && now.recording && now.boat;
        if (!b || !b.at) return;
        const at = ol.fromLonLat(b.at);
        const gone = lost() || b.stale || b.fix_stopped;
        const features = [];
        const r = now.next && now.next.run;
        if (r && !gone) features.push(new ol.Feature({ geometry: new ol.LineString(r.line.map((p) => ol.fromLonLat(p))), role: 'run', number: r.number }));
        if (!gone && b.course_deg !== null && now.ahead && now.ahead.looked_m) features.push(new ol.Feature({ geometry: new ol.LineString([at, ol.fromLonLat(onward(b.at, b.course_deg, now.ahead.looked_m))]), role: 'way' }));
        if (!gone && (!wake.length || wake[wake.length - 1].join() !== at.join())) wake = [...wake, at].slice(-MOST_WAKE);
        if (wake.length > 1) features.push(new ol.Feature({ geometry: new ol.LineString(wake), role: 'wake' }));
        features.push(new ol.Feature({ geometry: new ol.Point(at), role: gone ? 'gone' : 'boat' }));
        source.addFeatures(features);
        if (follow) leadline.map.getView().setCenter(at);
    }

    /** A place so many metres onward; on a sphere, for drawing only. */
    function onward([lon, lat], course, metres) {
        const a = (course * Math.PI) / 180, m = 111195;
        return [lon + (Math.sin(a) * metres) / (m * Math.cos((lat * Math.PI) / 180)), lat + (Math.cos(a) * metres) / m];
    }

    function drawTrail(trail, crew) {
        const source = leadline.overlays.source('trail');
        source.clear();
        const features = [];
        // A piece for each stretch of one grade; it begins where the one before it ended.
        for (let i = 0; i + 1 < trail.length; ) {
            const grade = trail[i + 1][2];
            const line = [ol.fromLonLat(trail[i])];
            while (i + 1 < trail.length && trail[i + 1][2] === grade) line.push(ol.fromLonLat(trail[++i]));
            features.push(new ol.Feature({ geometry: new ol.LineString(line), grade }));
        }
        for (const { boat: name, line } of crew) {
            if (line.length > 1) features.push(new ol.Feature({ geometry: new ol.LineString(line.map((p) => ol.fromLonLat(p))), crew: leadline.plain(name) }));
        }
        source.addFeatures(features);
    }

    function beep() {
        beeped = performance.now();
        if (navigator.vibrate) navigator.vibrate([250, 120, 250]);
        if (!ears) return;
        for (const at of [0, 0.35]) {
            const tone = ears.createOscillator(), gain = ears.createGain();
            tone.frequency.value = 880;
            gain.gain.setValueAtTime(0.4, ears.currentTime + at);
            gain.gain.exponentialRampToValueAtTime(0.001, ears.currentTime + at + 0.3);
            tone.connect(gain).connect(ears.destination);
            tone.start(ears.currentTime + at);
            tone.stop(ears.currentTime + at + 0.3);
        }
    }

    function toggleSound() {
        sound = !sound;
        if (sound && !ears && window.AudioContext) ears = new window.AudioContext();
        if (sound && ears) ears.resume();
        if (sound) beep();
        buttons();
    }

    function nextLight() {
        const all = leadline.themes;
        leadline.set({ theme: all[(all.indexOf(leadline.state.theme) + 1) % all.length] });
        buttons();
    }

    function again() {
        follow = true;
        boat();
        buttons();
    }

    function buttons() {
        const box = el('uw-do');
        const focus = document.activeElement && document.activeElement.id;
        box.replaceChildren(
            leadline.button(w().leave, shut, { id: 'uw-leave' }),
            leadline.button(follow ? w().following : w().follow, again, { id: 'uw-follow', 'aria-pressed': String(follow) }),
            leadline.button(sound ? w().soundOn : w().soundOff, toggleSound, { id: 'uw-sound', 'aria-pressed': String(sound) }),
            leadline.button(leadline.words.themes[leadline.state.theme], nextLight, { id: 'uw-light', 'aria-label': w().light(leadline.words.themes[leadline.state.theme]) }),
        );
        if (focus && el(focus)) el(focus).focus({ preventScroll: true });
    }

    /** A phone that falls asleep warns nobody. Where a browser does not allow it, the person has to. */
    async function awake() {
        try {
            lock = navigator.wakeLock ? await navigator.wakeLock.request('screen') : null;
        } catch {
            lock = null;
        }
    }

    function start() {
        open = true;
        follow = true;
        said = '';
        wake = [];
        trailOf = null;
        leadline.sheets.close();
        if (leadline.state.show !== 'all') leadline.set({ show: 'all' });
        document.body.classList.add('underway');
        el('underway').hidden = false;
        leadline.overlays.show();
        const view = leadline.map.getView();
        if (view.getZoom() < 17.5) view.setZoom(17.5);
        leadline.map.updateSize();
        buttons();
        awake();
        ask();
        el('uw-leave').focus({ preventScroll: true });
    }

    function shut() {
        open = false;
        if (lock) lock.release().catch(() => undefined);
        lock = null;
        document.body.classList.remove('underway');
        el('underway').hidden = true;
        leadline.overlays.source('boat').clear();
        leadline.overlays.source('trail').clear();
        leadline.map.updateSize();
        show();
        const bar = el('go-underway');
        if (!bar.hidden) bar.focus({ preventScroll: true });
    }

    leadline.underway = {
        make() {
            if (leadline.source.pocket) return;
            el('go-underway').addEventListener('click', start);
            el('underway').setAttribute('aria-label', w().label);
            // Hidden until a boat records; named from the beginning.
            el('go-underway').textContent = w().label;
            leadline.map.on('pointerdrag', () => {
                if (!open || !follow) return;
                follow = false;
                buttons();
            });
            document.addEventListener('visibilitychange', () => document.visibilityState === 'visible' && open && awake());
            ask();
        },
        /** What the trail and the boat are drawn with. */
        state: () => ({ open, now }),
    };
    leadline.on('chart', () => (trailOf = null));
    leadline.on('state', () => open && show());
})();
