// Brings the parts together, and keeps what is seen in step with the state.
(function () {
    'use strict';
    const leadline = window.leadline;

    // What a change of the state makes new. The water goes first and at once: it is what the eye is on.
    const DRAWN = ['stage', 'draft', 'room', 'units', 'theme', 'tint', 'layers'];

    leadline.on('state', (names) => {
        const any = (...of) => of.some((n) => names.includes(n));
        if (any('theme')) document.documentElement.dataset.theme = leadline.state.theme;
        if (any('show')) {
            leadline.water.forget();
            leadline.chartMap.drawNow();
        }
        if (any(...DRAWN)) {
            leadline.water.changed();
            leadline.chartMap.drawNow();
        }
        if (any('layers')) leadline.overlays.show();
        if (any('theme', 'units', 'stage')) leadline.overlays.restyle();
        leadline.strip();
        const focus = document.activeElement && document.activeElement.id;
        leadline.sheets.again();
        if (focus && document.getElementById(focus)) document.getElementById(focus).focus({ preventScroll: true });
        if (any('units', 'stage')) summary();
    });

    function summary() {
        const { chart } = leadline;
        document.getElementById('summary').textContent = [chart.summary, leadline.words.water.now(leadline.height(leadline.state.stage, true))].filter(Boolean).map(leadline.plain).join(' ');
    }

    /** Reads the chart anew, and all that hangs on it if the data changed. */
    leadline.refresh = async () => {
        const was = leadline.chart.version;
        leadline.chart = await ready();
        fixedTexts();
        if (leadline.chart.version !== was) {
            leadline.water.forget();
            leadline.overlays.forget();
            leadline.tell('chart');
        }
        leadline.strip();
        leadline.sheets.again();
        summary();
    };

    function fixedTexts() {
        const { chart, words } = leadline;
        document.title = `${chart.survey.name ? `${leadline.plain(chart.survey.name)} \u2013 ` : ''}${chart.product}`;
        document.getElementById('tabs').dataset.survey = leadline.plain(chart.survey.name);
        document.getElementById('caution').textContent = leadline.plain(chart.caution);
        for (const element of document.querySelectorAll('[data-word]')) element.textContent = words[element.dataset.word];
    }

    function listen() {
        const events = leadline.source.listen((event, what) => {
            if (event === 'chart') {
                if (what.version !== leadline.chart.version) leadline.attempt(leadline.refresh);
            } else leadline.tell('meet', what);
        });
        if (!events) return;
        let lost = false;
        events.addEventListener('error', () => {
            if (!lost) leadline.say(leadline.words.lost, true);
            lost = true;
        });
        events.addEventListener('open', () => {
            if (lost) leadline.attempt(leadline.refresh);
            lost = false;
        });
    }

    /** The chart, once the program has worked it out; a large survey takes a while the first time. */
    async function ready() {
        for (let tries = 0; ; tries++) {
            const chart = await leadline.source.chart();
            if (chart.why_not) throw new Error(leadline.plain(chart.why_not));
            if (!chart.computing) return chart;
            document.getElementById('caution').textContent = leadline.words.computing(tries);
            await new Promise((go) => setTimeout(go, 400));
        }
    }

    async function start() {
        leadline.openSource();
        try {
            leadline.chart = await ready();
        } catch (error) {
            document.getElementById('caution').textContent = `${leadline.words.noChart} ${leadline.refusal(error)}`;
            return;
        }
        const { chart, state } = leadline;
        const kept = leadline.kept();
        Object.assign(state, {
            units: chart.units || 'm', show: chart.show || 'all', draft: typeof chart.draft_m === 'number' ? chart.draft_m : 0,
            // A pocket chart was made for a stage; without one it begins, as the page does, with the last reading.
            stage: chart.stage_given_m || (chart.stage ? chart.stage.level_m : 0),
        }, kept);
        document.documentElement.dataset.theme = state.theme;
        fixedTexts();
        leadline.sheets.make();
        leadline.chartMap.make();
        leadline.strip();
        leadline.chartMap.whole();
        leadline.overlays.show();
        summary();
        leadline.takeDrops();
        if (matchMedia('(min-width: 800px)').matches) leadline.sheets.show('water', false);
        leadline.chartMap.whole();
        listen();
        leadline.underway.make();
        document.body.dataset.ready = 'yes';
    }

    if (document.readyState === 'loading') document.addEventListener('DOMContentLoaded', start);
    else start();
})();
