// The strip draws the lines of the bench over its own time: a row a channel,
// levels as steps, readings between their least and greatest.
"use strict";

class Strip {
	constructor(canvas, stretch) {
		this.canvas = canvas;
		this.stretch = stretch; // seconds shown
		this.channels = [];
		this.points = []; // by channel: [instant in ns, value]
		this.trials = []; // [begin, end]
		this.now = 0;
		this.seen = 0; // when now was told, on the page's clock
		this.pending = false;
		this.still = matchMedia("(prefers-reduced-motion: reduce)");
		this.dark = matchMedia("(prefers-color-scheme: dark)");
		this.dark.addEventListener("change", () => this.draw());
		new ResizeObserver(() => this.draw()).observe(canvas);
	}

	// whole takes the state of all channels.
	whole(live) {
		const channels = live.channels || [];
		const named = (c) => c.name + " " + c.dir;
		if (channels.map(named).join() !== this.channels.map(named).join()) {
			this.channels = channels;
			this.points = channels.map(() => []);
			this.trials = [];
		}
		if (live.at < this.now) { // another run began its clock anew
			this.points = channels.map(() => []);
			this.trials = [];
			this.now = 0;
		}
		channels.forEach((c, i) => { if (c.seen) this.add(i, c.at, c.value); });
		this.running = live.job != null && !live.virtual;
		this.told(live.at);
	}

	// event takes one event of the timeline.
	event(e) {
		const begin = 5, end = 6;
		if (e.Kind >= 1 && e.Kind <= 3) this.add(e.Channel, e.At, e.Value);
		if (e.Kind === begin) this.trials.push([e.At, null]);
		if (e.Kind === end && this.trials.length) this.trials[this.trials.length - 1][1] = e.At;
		this.told(e.At);
	}

	add(i, at, value) {
		const list = this.points[i];
		if (!list) return;
		const last = list[list.length - 1];
		if (last && at < last[0] || last && at === last[0] && value === last[1]) return;
		list.push([at, value]);
		const most = 4000;
		if (list.length > most) list.splice(0, list.length - most);
	}

	told(at) {
		this.now = Math.max(this.now, at);
		this.seen = performance.now();
		this.later();
	}

	// later draws soon, at most ten times a second; once a second for whoever
	// wants little motion.
	later() {
		if (this.pending) return;
		this.pending = true;
		setTimeout(() => requestAnimationFrame(() => { this.pending = false; this.draw(); }), this.still.matches ? 1000 : 100);
	}

	draw() {
		// Texts can't be drawn, interlocks have their own table, and what was
		// never seen would only take room.
		const rows = this.channels.map((c, i) => [c, this.points[i]]).filter(([c, points]) => c.dir !== 3 && !c.interlock && points.length);
		const style = getComputedStyle(this.canvas);
		const colour = (name) => style.getPropertyValue(name).trim();
		const height = 30, left = 92, width = this.canvas.clientWidth, foot = 22;
		const scale = devicePixelRatio || 1;
		this.canvas.style.height = rows.length * height + foot + "px";
		this.canvas.width = width * scale;
		this.canvas.height = (rows.length * height + foot) * scale;
		const g = this.canvas.getContext("2d");
		g.scale(scale, scale);
		g.font = "13px system-ui, sans-serif";
		let now = this.now;
		if (this.running) now += Math.min(2000, performance.now() - this.seen) * 1e6;
		const from = now - this.stretch * 1e9;
		const x = (at) => Math.max(left, left + (at - from) / (this.stretch * 1e9) * (width - left));
		this.ground(g, rows.length * height, left, width, x, from, now, colour);
		rows.forEach(([c, points], i) => this.row(g, c, points, i * height, height, x, from, width, colour));
	}

	// ground draws the trials, and the time under all.
	ground(g, base, left, width, x, from, now, colour) {
		g.fillStyle = colour("--field");
		g.fillRect(left, 0, width - left, base);
		g.fillStyle = colour("--fill");
		g.globalAlpha = 0.5;
		for (const [begin, end] of this.trials) {
			const a = x(begin), b = Math.min(width, x(end == null ? now : end));
			if (b > a) g.fillRect(a, 0, b - a, base);
		}
		g.globalAlpha = 1;
		const names = ["1 s", "10 s", "1 min", "10 min", "1 h", "4 h"], steps = [1, 10, 60, 600, 3600, 14400];
		const k = Math.max(0, steps.findLastIndex((s) => s <= this.stretch / 4));
		g.strokeStyle = colour("--line");
		g.beginPath();
		for (let t = Math.ceil(from / 1e9 / steps[k]) * steps[k]; t * 1e9 <= now; t += steps[k]) {
			g.moveTo(Math.round(x(t * 1e9)) + 0.5, 0);
			g.lineTo(Math.round(x(t * 1e9)) + 0.5, base);
		}
		g.stroke();
		g.fillStyle = colour("--soft");
		g.textAlign = "right";
		g.fillText("a line every " + names[k] + "; shaded: a trial", width, base + 16);
		g.textAlign = "left";
	}

	row(g, c, points, top, height, x, from, width, colour) {
		let first = points.length - 1;
		while (first > 0 && points[first][0] > from) first--;
		const shown = points.slice(Math.max(0, first));
		let lo = 0, hi = 1;
		if (c.unit !== 0 && shown.length) {
			lo = Math.min(...shown.map((p) => p[1]));
			hi = Math.max(...shown.map((p) => p[1]));
			if (c.dir === 1) lo = Math.min(lo, 0);
			if (hi === lo) hi = lo + 1;
		}
		const y = (v) => top + height - 6 - (v - lo) / (hi - lo) * (height - 12);
		g.strokeStyle = colour("--line");
		g.beginPath();
		g.moveTo(0, top + height - 0.5);
		g.lineTo(width, top + height - 0.5);
		g.stroke();
		g.strokeStyle = c.dir === 1 ? colour("--law") : colour("--water");
		g.lineWidth = 1.75;
		g.beginPath();
		shown.forEach(([at, v], i) => {
			if (i === 0) g.moveTo(x(at), y(v));
			else { g.lineTo(x(at), y(shown[i - 1][1])); g.lineTo(x(at), y(v)); }
		});
		if (shown.length) g.lineTo(width, y(shown[shown.length - 1][1]));
		g.stroke();
		g.lineWidth = 1;
		g.fillStyle = colour("--ink");
		g.fillText(c.name, 0, top + height / 2 + 5, 86);
	}
}
