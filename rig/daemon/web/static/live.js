// Keeps a page up to date with the bench: the line at its foot on every page,
// and on the first one the table, the strip, the queue and the trips. Without
// it a page shows what was so when it was fetched.
"use strict";

(() => {
	const all = (q) => document.querySelectorAll(q);
	const readings = document.getElementById("readings");
	const news = document.getElementById("news");
	let mark = document.querySelector(".bench").dataset.mark;
	let job = null;

	function put(node, text) { if (node && node.textContent !== text) node.textContent = text; }

	// words puts the state in words where it stands; only a change of it is
	// read out.
	function words(w) {
		all("[data-live=word]").forEach((n) => put(n, w.word));
		all("[data-live=says]").forEach((n) => put(n, w.says));
		all("[data-live=mark]").forEach((n) => n.setAttribute("href", "#sym-" + w.mark));
		all("[data-mark]").forEach((n) => { n.classList.replace("s-" + n.dataset.mark, "s-" + w.mark); n.dataset.mark = w.mark; });
		if (w.mark !== mark) { mark = w.mark; news.textContent = w.word + ". " + w.says; }
	}

	function age(now, at) {
		const s = Math.max(0, (now - at) / 1e9);
		if (s < 10) return s.toFixed(1) + " s";
		if (s < 60) return Math.round(s) + " s";
		if (s < 3600) return Math.floor(s / 60) + " min " + Math.round(s % 60) + " s";
		return Math.floor(s / 3600) + " h " + Math.floor(s % 3600 / 60) + " min";
	}

	// table puts in the readings; a bench that has new channels gets a new one.
	function table(live) {
		for (const c of live.channels || []) {
			const row = document.querySelector(`tr[data-channel="${CSS.escape(c.name)}"]`);
			if (!row) return fresh();
			if (row.hasAttribute("data-lock")) { lock(row, c); continue; }
			put(row.querySelector("[data-cell=shown]"), c.seen ? c.shown : "not seen yet");
			put(row.querySelector("[data-cell=age]"), c.seen ? age(live.at, c.at) : "");
		}
	}

	function lock(row, c) {
		const cell = row.querySelector("[data-cell=lock]");
		const [sym, word] = !c.seen ? ["none", "not seen yet"] : c.value === 1 ? ["pass", "closed"] : ["fail", "open"];
		cell.querySelector("use").setAttribute("href", "#sym-" + sym);
		cell.querySelector("span").className = "v-" + sym;
		put(cell.lastChild, " " + word);
	}

	function progress(live) {
		const box = document.querySelector("[data-live=progress]");
		box.hidden = live.job == null;
		const p = box.querySelector("progress");
		p.max = Math.max(1, live.trials);
		p.value = live.trial;
	}

	// fresh fetches the page again and takes over the parts that depend on more
	// than the bench's state, but none that somebody is working in.
	let fetching = false, again = false;
	async function fresh() {
		again = fetching;
		if (fetching) return;
		fetching = true;
		try {
			const got = await fetch("/", {headers: {Accept: "text/html"}});
			if (!got.ok) return;
			const page = new DOMParser().parseFromString(await got.text(), "text/html");
			for (const part of all("[data-fresh]")) {
				const to = page.querySelector(`[data-fresh="${part.dataset.fresh}"]`);
				if (to && to.innerHTML !== part.innerHTML && !part.contains(document.activeElement)) part.replaceChildren(...to.childNodes);
			}
			const rows = page.querySelector("#readings tbody");
			if (rows && rows.rows.length !== readings.tBodies[0].rows.length) readings.tBodies[0].replaceWith(rows);
		} finally {
			setTimeout(() => { fetching = false; if (again) fresh(); }, 500);
		}
	}

	if (!readings) { // any page but the first: ask now and then
		const ask = async () => {
			if (document.hidden) return;
			try {
				const got = await fetch("/live.json");
				if (got.ok) words((await got.json()).words);
			} catch { /* the daemon is away; the next try tells */ }
		};
		setInterval(ask, 3000);
		return;
	}

	const figure = document.querySelector(".strip-figure");
	const stretch = document.getElementById("stretch");
	figure.hidden = false;
	const strip = new Strip(document.getElementById("strip"), Number(stretch.value));
	stretch.addEventListener("change", () => { strip.stretch = Number(stretch.value); strip.draw(); });

	// The stream begins with the whole state; after that it tells of events,
	// and of the whole again when more than a channel has changed.
	let live = null, said = null, drawn = true;
	function take(u) {
		if (u.words) said = u.words;
		if (u.live) {
			live = u.live;
			strip.whole(live);
			const turn = `${live.job ? live.job.id : 0} ${live.paused} ${live.trip || ""}`;
			if (turn !== job) fresh(); // at first too: a short run may have ended meanwhile
			job = turn;
		}
		if (u.event && live) {
			strip.event(u.event);
			note(u.event, u.shown);
		}
		drawn = false;
	}
	// note puts an event into the state; in words a reading is "rail 3.3 V".
	function note(e, shown) {
		live.at = Math.max(live.at, e.At);
		if (e.Kind === 5) live.trial = e.Value;
		const c = e.Kind <= 4 ? (live.channels || [])[e.Channel] : null;
		if (c) Object.assign(c, {seen: true, at: e.At, value: e.Value, shown: shown.slice(c.name.length + 1)});
	}
	function show() {
		if (drawn) return;
		drawn = true;
		words(said);
		table(live);
		progress(live);
	}
	setInterval(show, 250);
	// What a slow page was not told of, and how the supervisor fares.
	setInterval(() => { if (!document.hidden) fresh(); }, 10000);

	const linked = document.querySelector("[data-live=linked]");
	const source = new EventSource("/follow");
	source.onopen = () => put(linked, "The page follows it.");
	source.onerror = () => put(linked, "The connection is lost; trying again.");
	source.onmessage = (m) => take(JSON.parse(m.data));
	addEventListener("pagehide", () => source.close());
})();
