// What there is to do with a survey: read logs in, level, plan, keep copies, look over decisions.
(function () {
    'use strict';
    const leadline = window.leadline;
    const { h } = leadline;
    const MOST = 64 * 1024 * 1024; // bytes a log may have, as the program takes them

    const done = []; // what came of files dropped, newest first
    let level = null;
    let decisions = null;
    const plan = { spacing: '', speed: '' };

    const words = () => leadline.words.act;

    async function importFiles(files) {
        const w = words();
        if (!leadline.chart.may_write) return leadline.say(leadline.words.place.readOnly, true);
        const names = (leadline.chart.boats || []).map((b) => b.name);
        const list = h('datalist', { id: 'boat-names' }, names.map((n) => h('option', { value: n })));
        const input = h('input', { type: 'text', required: true, maxlength: 100, list: 'boat-names', value: leadline.chart.boat || names[0] || '' });
        const field = leadline.field(w.boat, input, w.boatHint);
        field.append(list);
        const got = await leadline.ask(w.importOf([...files].map((f) => leadline.plain(f.name)).join(', ')), [['boat', field]], w.importGo);
        if (!got) return undefined;
        for (const file of files) await importOne(file, got.boat);
        await leadline.refresh();
        leadline.sheets.show('do', false);
        return undefined;
    }

    async function importOne(file, boat) {
        const w = words();
        const came = { name: file.name };
        done.unshift(came);
        if (file.size > MOST) {
            came.error = w.tooLarge;
            return;
        }
        leadline.say(w.importing(leadline.plain(file.name)));
        try {
            came.answer = await leadline.source.send('import', await file.arrayBuffer(), { name: file.name, boat });
            leadline.say(w.imported(leadline.plain(file.name), came.answer.soundings));
        } catch (error) {
            came.error = leadline.refusal(error);
            leadline.say(came.error, true);
        }
    }

    /** What became of one file: refused, read, or still being read (the sheet may be drawn again meanwhile). */
    function complaints(came) {
        const w = words();
        if (came.error) return h('li', { class: 'bad' }, h('b', null, leadline.plain(came.name)), h('p', null, came.error));
        const a = came.answer;
        if (!a) return h('li', null, h('b', null, leadline.plain(came.name)), h('p', null, w.importing('')));
        return h('li', null, h('b', null, leadline.plain(came.name)), h('p', null, w.importFigures(a)), a.nothing && h('p', { class: 'bad' }, leadline.plain(a.nothing)),
            (a.problems || []).map((p) => h('details', { open: true }, h('summary', null, w.problem(leadline.plain(p.words || p.kind), p.count)),
                h('ul', { class: 'complaints' }, (p.lines || []).map((l) => h('li', null, w.line(l.line), ' ', h('span', null, leadline.plain(l.what))))))));
    }

    function importing() {
        const w = words();
        const input = h('input', { type: 'file', multiple: true, id: 'import-file', class: 'unseen', onchange: () => input.files.length && importFiles(input.files) });
        return h('section', null, h('h3', null, w.import), h('p', null, w.importHint),
            h('div', { class: 'row' }, input, h('label', { class: 'button strong', for: 'import-file' }, w.choose)),
            done.length > 0 && h('ul', { class: 'cards', id: 'import-results' }, done.slice(0, 20).map(complaints)));
    }

    async function askLevel() {
        await leadline.attempt(async () => {
            level = await leadline.source.read('api/level');
            leadline.sheets.again('do');
        });
    }

    const applyLevel = (undo) => () => leadline.attempt(async () => {
        await leadline.source.act('level', undo ? { undo: true } : { apply: true });
        leadline.say(undo ? words().levelUndone : words().levelApplied);
        await leadline.refresh();
        await askLevel();
    });

    function table(title, columns, rows) {
        return h('div', { class: 'wide' }, h('table', null, h('caption', null, title),
            h('thead', null, h('tr', null, columns.map((c) => h('th', { scope: 'col' }, c)))),
            h('tbody', null, rows.slice(0, 200).map((r) => h('tr', null, r.map((c, i) => (i ? h('td', null, c) : h('th', { scope: 'row' }, c))))))));
    }

    /** How far depths differ where tracks cross, before and after; and by how much each boat is off on each day. */
    function proposal() {
        const w = words();
        const size = (side, of) => (level[side][of].crossings ? leadline.height(level[side][of].size95_m) : '\u2013');
        return h('div', { id: 'level-told' }, h('p', null, w.levelCrossings(level.crossings), ' ', level.in_force ? w.levelHolds : ''),
            table(w.levelSpread, [w.levelPairs, w.levelBefore, w.levelAfter], Object.keys(w.levelOf).filter((of) => level.before[of]).map((of) => [w.levelOf[of], size('before', of), size('after', of)])),
            table(w.levelDays, [w.levelBoat, w.levelDay, w.levelDeep, w.levelSure], level.boat_days.map((d) => [
                leadline.plain(d.boat), d.day, d.floating ? w.levelFloating : leadline.height(d.too_deep_m, true), leadline.height(d.u95_m)])));
    }

    function levelling() {
        const w = words();
        return h('section', null, h('h3', null, w.level), h('p', null, w.levelHint),
            level && proposal(),
            h('div', { class: 'row' }, leadline.button(level ? w.levelAgain : w.levelAsk, askLevel, { id: 'level-ask' }),
                level && leadline.chart.may_write && leadline.button(w.levelApply, applyLevel(false), { class: 'strong', id: 'level-apply' }),
                leadline.chart.may_write && leadline.button(w.levelUndo, applyLevel(true), { id: 'level-undo' })));
    }

    leadline.planOptions = () => ({ spacing: plan.spacing, speed: plan.speed, draft: leadline.state.draft, stage: leadline.state.stage });

    function planning() {
        const w = words();
        const number = (name, label) => leadline.field(label, h('input', { type: 'number', min: 0, step: 'any', inputmode: 'decimal', value: plan[name], onchange: (e) => (plan[name] = e.target.value) }));
        const go = () => {
            leadline.set({ layers: { ...leadline.state.layers, plan: true } });
            leadline.overlays.forget(['plan']);
        };
        const told = (leadline.state.layers.plan && leadline.overlays.told('plan')) || [];
        const drive = told.find((p) => p.layer === 'plan');
        const missed = told.filter((p) => p.layer === 'not_reached');
        return h('section', null, h('h3', null, w.plan), h('p', null, w.planHint(leadline.height(leadline.state.draft), leadline.height(leadline.state.stage, true))),
            h('div', { class: 'pair' }, number('spacing', w.spacing), number('speed', w.speed)),
            drive && h('dl', { class: 'totals', id: 'plan-told' }, leadline.pairs({ ...drive, layer: null, name: null })),
            missed.length > 0 && h('details', null, h('summary', null, w.notReached(missed.length)), h('ul', { class: 'complaints' }, missed.map((p) => h('li', null, `${leadline.plain(p.name)}: ${leadline.plain(p.why)}`)))),
            h('div', { class: 'row' }, leadline.button(w.planShow, go, { id: 'plan-show' }),
                leadline.button(w.planGpx, () => leadline.save('plan.gpx', leadline.planOptions()), { id: 'plan-gpx' })));
    }

    leadline.on('layer', (name) => name === 'plan' && leadline.sheets.again('do'));

    async function takeParcel(file) {
        await leadline.attempt(async () => {
            leadline.say(words().parcelReading);
            const came = await leadline.source.send('parcel', await file.arrayBuffer());
            done.parcel = came;
            await leadline.refresh();
            leadline.say(words().parcelRead);
            leadline.sheets.again('do');
        });
    }

    /** A passphrase is kept only while the page is open: the sheet is drawn again now and then. */
    let passphrase = '';

    async function takeBackup(file) {
        await leadline.attempt(async () => {
            leadline.say(words().backupReading);
            done.backup = await leadline.source.send('backup/restore', await file.arrayBuffer(), null, passphrase.trim());
            await leadline.refresh();
            leadline.say(done.backup.as_it_was ? words().backupAsItWas : words().backupRead);
            leadline.sheets.again('do');
        });
    }

    function backups() {
        const w = words();
        if (leadline.chart.door === 'lan') return null;
        const input = h('input', { type: 'file', id: 'backup-file', class: 'unseen', onchange: () => input.files.length && takeBackup(input.files[0]) });
        const save = () => leadline.saveFrom(() => leadline.source.made('backup', { passphrase: passphrase.trim() || null }));
        return h('section', null, h('h3', null, w.backup), h('p', null, w.backupHint),
            leadline.field(w.backupWords, h('input', { type: 'password', id: 'backup-words', autocomplete: 'off', value: passphrase, oninput: (e) => (passphrase = e.target.value) }), w.backupWordsHint),
            h('div', { class: 'row' }, leadline.button(w.backupGet, save, { id: 'backup-get' }), input, h('label', { class: 'button', for: 'backup-file' }, w.backupPut)),
            done.backup && h('div', { id: 'backup-told' }, leadline.figures(done.backup)));
    }

    function copies() {
        const w = words();
        const input = h('input', { type: 'file', id: 'parcel-file', class: 'unseen', onchange: () => input.files.length && takeParcel(input.files[0]) });
        return h('section', null, h('h3', null, w.copies), h('p', null, w.copiesHint),
            h('div', { class: 'row' }, leadline.chart.door !== 'lan' && leadline.button(w.parcelGet, () => leadline.save('parcel'), { id: 'parcel-get' }),
                leadline.chart.may_write && [input, h('label', { class: 'button', for: 'parcel-file' }, w.parcelPut)]),
            done.parcel && h('div', { id: 'parcel-told' }, leadline.figures(done.parcel)),
            h('p', null, w.pocketHint),
            h('div', { class: 'row' }, leadline.button(w.pocketGet, () => leadline.save('pocket'), { id: 'pocket-get' })));
    }

    async function askDecisions() {
        await leadline.attempt(async () => {
            const answer = await leadline.source.read('api/decisions');
            decisions = answer.decisions;
            leadline.sheets.again('do');
        });
    }

    function deciding() {
        const w = words();
        const text = (d) => [d.words, d.what].filter(Boolean).map(leadline.plain).join(': ');
        return h('section', null, h('h3', null, w.decisions), h('div', { class: 'row' }, leadline.button(decisions ? w.decisionsAgain : w.decisionsShow, askDecisions, { id: 'decisions-show' })),
            decisions && (decisions.length
                ? h('ul', { class: 'cards', id: 'decisions' }, decisions.slice(0, 200).map((d) => h('li', null, h('b', null, text(d) || w.decision), h('br'), `\u201c${leadline.plain(d.why || '')}\u201d`, h('br'),
                    h('small', null, `${leadline.plain(d.by)} \u00b7 ${leadline.when(d.claimed_utc)}`),
                    leadline.chart.may_write && d.can_take_back && h('div', { class: 'row' }, leadline.button(w.takeBack, async () => {
                        await leadline.takeBack(d.id);
                        askDecisions();
                    })))))
                : h('p', null, w.noDecisions)));
    }

    /** Who can see this page, in plain words. */
    function door() {
        const w = words();
        const { chart } = leadline;
        return h('section', null, h('h3', null, w.door), h('p', { id: 'door' }, chart.door === 'lan' ? (chart.encrypted ? w.doorSafe : w.doorOpen) : w.doorHere), h('p', null, chart.may_write ? w.mayWrite : w.mayRead));
    }

    leadline.sheet('do', (box) => {
        if (leadline.source.pocket) return box.append(h('p', null, leadline.words.pocket.acts));
        box.append(...[leadline.chart.may_write && importing(), planning(), copies(), backups(), levelling(), deciding(), door()].filter(Boolean));
        return undefined;
    });

    /** Files dropped anywhere on the page are logs. */
    leadline.takeDrops = () => {
        const over = (e) => {
            if (![...(e.dataTransfer ? e.dataTransfer.types : [])].includes('Files')) return;
            e.preventDefault();
            document.body.classList.toggle('dropping', e.type === 'dragover');
        };
        for (const name of ['dragover', 'dragleave', 'drop']) window.addEventListener(name, over);
        window.addEventListener('drop', (e) => e.dataTransfer && e.dataTransfer.files.length && importFiles(e.dataTransfer.files));
    };
})();
