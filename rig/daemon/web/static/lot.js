// Keeps an operator's page up to date without leaving it, with the cursor where
// a scanner types, and lets each result be heard. Without it the page works
// by forms and by loading itself again.
"use strict";

(() => {
	const line = document.getElementById("line"), news = document.getElementById("news"), mute = document.getElementById("mute");
	const muted = () => localStorage.getItem("lot-mute") === "1";
	let audio = null;

	// Tones by what there is to hear: [hertz, start, seconds] each. They differ
	// in pitch and number.
	const tones = {
		conforming: [[1320, 0, 0.15]],
		accepted: [[880, 0, 0.15], [1320, 0.18, 0.3]],
		nonconforming: [[220, 0, 0.3], [220, 0.4, 0.3]],
		rejected: [[330, 0, 0.3], [220, 0.35, 0.6]],
		neither: [[660, 0, 0.1], [660, 0.16, 0.1], [660, 0.32, 0.1]],
		wrong: [[180, 0, 0.5]],
	};

	// A browser lets a page sound only after somebody has done something on it.
	function ready() {
		if (muted()) return;
		audio ??= new AudioContext();
		if (audio.state === "suspended") audio.resume();
	}

	function sound(what) {
		if (!audio || muted()) return;
		for (const [hertz, start, seconds] of tones[what] || []) {
			const tone = audio.createOscillator(), volume = audio.createGain(), at = audio.currentTime + start;
			tone.frequency.value = hertz;
			tone.type = hertz < 400 ? "square" : "sine";
			volume.gain.setValueAtTime(0.2, at);
			volume.gain.exponentialRampToValueAtTime(0.001, at + seconds);
			tone.connect(volume).connect(audio.destination);
			tone.start(at);
			tone.stop(at + seconds);
		}
	}

	function focus() {
		const to = line.querySelector("[autofocus]");
		if (to && document.activeElement !== to) { to.focus(); if (to.select) to.select(); }
	}

	// take puts in what the server says, if it is something else.
	function take(text) {
		const page = new DOMParser().parseFromString(text, "text/html"), now = page.getElementById("line");
		if (!now) return false;
		const turned = now.dataset.key !== line.dataset.key || now.dataset.sound === "wrong";
		if (now.innerHTML === line.innerHTML) { line.dataset.wait = now.dataset.wait; return true; }
		line.replaceChildren(...now.childNodes);
		document.querySelector(".said")?.remove(); // it was of what came before
		for (const name of ["key", "sound", "wait"]) line.dataset[name] = now.dataset[name];
		document.title = page.title;
		if (turned) {
			sound(line.dataset.sound);
			const result = line.dataset.wait === "true" ? "" : line.querySelector("#result")?.innerText || "";
			news.textContent = [line.querySelector(".problems")?.innerText, result, line.querySelector("h1").innerText + ".", line.querySelector(".order-says").innerText].filter(Boolean).join(" ");
		}
		focus();
		return true;
	}

	let sending = false;
	line.addEventListener("submit", async (e) => {
		e.preventDefault();
		if (sending) return; // a scanner may press Enter twice
		sending = true;
		ready();
		try {
			const form = e.target, body = new URLSearchParams(new FormData(form));
			const got = await fetch(form.action, {method: "POST", body, headers: {Accept: "text/html"}});
			if (!take(await got.text())) location.reload(); // somebody was logged out
		} catch {
			news.textContent = "The daemon does not answer. Scan again when it does.";
			sound("wrong");
		} finally {
			sending = false;
		}
	});

	// What changes by itself, or by another station, is asked for.
	let late = 0;
	setInterval(async () => {
		const waits = line.dataset.wait === "true";
		if (sending || document.hidden || !waits && ++late % 5) return;
		const typed = line.querySelector("input:not([type=hidden])");
		if (typed && typed.value) return; // somebody is at it
		if (!waits && line.querySelector(".problems")) return;
		try {
			const got = await fetch(location.pathname, {headers: {Accept: "text/html"}});
			if (got.ok && !sending) take(await got.text());
		} catch { /* the daemon is away; the next try tells */ }
	}, 700);

	function label() {
		mute.setAttribute("aria-pressed", String(muted()));
	}
	mute.hidden = false;
	label();
	mute.addEventListener("click", () => {
		localStorage.setItem("lot-mute", muted() ? "0" : "1");
		label();
		ready();
		sound("conforming");
		focus();
	});
	focus();
})();
