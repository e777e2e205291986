// Progress and what was typed: everything else works without script.
"use strict";

const STALL_MS = 10000;
const LONGEST_MS = 180000;
const PAUSES_MS = [2000, 5000, 10000]; // before a broken sending is tried again
const FULL = 429;
const wait = (ms) => new Promise((done) => setTimeout(done, ms));

// ---------------------------------------------------------------- what was typed stays

// over a change of units, Back, and a look at another page; a form that was sent is forgotten
const keyOf = (form) => `typed:${location.pathname}${location.search}:${form.getAttribute("action")}`;
const fieldsOf = (form) =>
  [...form.elements].filter((field) => field.name && !["hidden", "file", "submit", "button"].includes(field.type));
const isChanged = (field) => {
  if (field.type === "radio" || field.type === "checkbox") return field.checked !== field.defaultChecked;
  if (field.tagName === "SELECT") return !field.options[field.selectedIndex]?.defaultSelected && field.selectedIndex > 0;
  return field.value !== field.defaultValue;
};
const keep = (form) => {
  const fields = fieldsOf(form);
  if (!("said" in form.dataset) && !fields.some(isChanged)) return;
  const typed = {};
  for (const field of fields)
    if (field.type !== "radio" || field.checked) typed[field.name] = field.value;
  sessionStorage.setItem(keyOf(form), JSON.stringify(typed));
};
const forget = (form) => {
  form.dataset.sent = "";
  sessionStorage.removeItem(keyOf(form));
};
for (const form of document.querySelectorAll("main form")) {
  if (!fieldsOf(form).length) continue;
  const typed = JSON.parse(sessionStorage.getItem(keyOf(form)) || "{}");
  for (const field of fieldsOf(form)) {
    if (!(field.name in typed)) continue;
    if (field.type === "radio") field.checked = field.value === typed[field.name];
    else field.value = typed[field.name];
    if (isChanged(field)) field.closest("details")?.setAttribute("open", "");
  }
  if (!("upload" in form.dataset)) form.addEventListener("submit", () => forget(form));
  addEventListener("pagehide", () => "sent" in form.dataset || keep(form));
}

// ---------------------------------------------------------------- the camera's view

const FRAME_PX = 1280;
const FRAME_MS = 400; // from one frame to the next at least
const LEAST_PX = 2e6; // a smaller photo than this the ordinary camera takes better
const GOOD = "Good. Take it now.";

// the sheet is looked at before the photo is taken; where the browser gives no view, the ordinary camera does
const liven = (form, upload) => {
  const [box, video, seen, advice, on, off, shutter] = ["live", "video", "seen", "advice", "live-on", "live-off", "shutter"]
    .map((id) => document.getElementById(id));
  if (!navigator.mediaDevices?.getUserMedia) return;
  let stream = null;
  const show = (judged) => {
    const good = !judged.do;
    box.classList.toggle("good", good);
    const words = good ? GOOD : `${judged.do}.`;
    if (advice.textContent !== words) advice.textContent = words;
    seen.setAttribute("points", judged.corners.map((at) => at.join(",")).join(" "));
  };
  const stop = () => {
    for (const track of stream?.getTracks() ?? []) track.stop();
    stream = null;
    box.hidden = true;
    form.classList.remove("live");
  };
  const frame = () => {
    const scale = Math.min(1, FRAME_PX / Math.max(video.videoWidth, video.videoHeight));
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [video.videoWidth, video.videoHeight].map((side) => Math.round(scale * side));
    canvas.getContext("2d").drawImage(video, 0, 0, canvas.width, canvas.height);
    return new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.8));
  };
  const watch = async (mine) => {
    let before = "";
    while (stream === mine) {
      const began = performance.now();
      try {
        if (video.videoWidth && !document.hidden) {
          const data = new FormData();
          data.append("form", form.elements.form.value);
          data.append("purpose", box.dataset.purpose);
          data.append("before", before);
          data.append("photo", await frame(), "frame");
          const answer = await fetch("/frame", { method: "POST", body: data, signal: AbortSignal.timeout?.(STALL_MS) });
          const judged = answer.ok ? await answer.json() : { do: "The computer does not judge the view just now", corners: [] };
          if (stream !== mine) return;
          show(judged);
          before = judged.corners.length ? JSON.stringify(judged.corners) : "";
        }
      } catch {
        show({ do: "The computer does not answer; the photo can be taken all the same", corners: [] });
      }
      await wait(Math.max(50, FRAME_MS - (performance.now() - began)));
    }
  };
  const ordinary = () => {
    stop();
    document.getElementById("photo").click();
  };
  on.hidden = false;
  on.addEventListener("click", async () => {
    try {
      const size = { width: { ideal: 4096 }, height: { ideal: 3072 } };
      stream = await navigator.mediaDevices.getUserMedia({ audio: false, video: { facingMode: { ideal: "environment" }, ...size } });
    } catch {
      on.textContent = "The browser gives no view: use “Take the photo”";
      on.disabled = true;
      return;
    }
    form.classList.add("live");
    box.hidden = false;
    video.srcObject = stream;
    await video.play();
    watch(stream);
  });
  off.addEventListener("click", stop);
  addEventListener("pagehide", stop);
  shutter.addEventListener("click", async () => {
    const [track] = stream?.getVideoTracks() ?? [];
    if (!track || !("ImageCapture" in window)) return ordinary();
    shutter.disabled = true;
    try {
      const capture = new ImageCapture(track);
      const able = await capture.getPhotoCapabilities();
      const most = { imageWidth: able.imageWidth?.max, imageHeight: able.imageHeight?.max };
      const photo = await capture.takePhoto(most.imageWidth && most.imageHeight ? most : {});
      const bitmap = await createImageBitmap(photo);
      if (bitmap.width * bitmap.height < LEAST_PX) throw new Error("small");
      stop();
      upload([new File([photo], "photo", { type: photo.type })]);
    } catch {
      ordinary();
    } finally {
      shutter.disabled = false;
    }
  });
};

// ---------------------------------------------------------------- photos

// a photo is sent as soon as it is taken, with a bar that shows how far it is
for (const form of document.querySelectorAll("form[data-upload]")) {
  const inputs = [...form.querySelectorAll("input[type=file]")];
  const [box, bar, going] = ["progress", "sent", "going"].map((id) => document.getElementById(id));
  const trouble = document.createElement("p");
  let request = null;
  let cancelled = false;
  let chosen = [];
  trouble.setAttribute("role", "alert");
  trouble.className = "card large";
  // one button is enough: the photo goes by itself
  form.classList.add("scripted");
  for (const input of inputs) input.multiple = "several" in input.dataset;

  const rest = () => {
    form.classList.remove("sending");
    box.hidden = true;
  };
  // beside the field at fault too, opened where it was folded away
  const mark = (name) => {
    for (const old of form.querySelectorAll(".wrong")) old.remove();
    for (const old of form.querySelectorAll("[aria-invalid]")) old.removeAttribute("aria-invalid");
    const place = name && form.querySelector(`[name="${CSS.escape(name)}"]:not([type=hidden])`)?.closest(".field, fieldset");
    if (!place) return;
    const beside = document.createElement("p");
    [beside.className, beside.id, beside.textContent] = ["wrong", `${name}-wrong`, trouble.textContent];
    place.append(beside);
    const field = place.querySelector("input[type=text]") ?? place;
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", [document.getElementById(`${name}-hint`)?.id, beside.id].filter(Boolean).join(" "));
    for (let each = place.closest("details"); each; each = each.parentElement.closest("details")) each.open = true;
  };
  const complain = (sentence, field = "") => {
    rest();
    form.classList.add("again"); // the photo is still there: it need not be taken again
    trouble.textContent = sentence;
    form.prepend(trouble);
    mark(field);
    trouble.scrollIntoView();
  };
  // what the answer's page says, said here: all that was filled in stays
  const saidBy = (answer) => {
    const page = new DOMParser().parseFromString(answer.text, "text/html");
    const said = [...page.querySelectorAll("main .large")].map((line) => line.textContent.trim());
    const sentence = said.join(" ") || (answer.status === 403 && answer.text) || "That did not work. Load this page again.";
    return [sentence, page.querySelector("[data-field]")?.dataset.field];
  };
  const post = (data) =>
    new Promise((done) => {
      request = new XMLHttpRequest();
      let timer = 0;
      const moved = (text) => {
        going.textContent = text;
        clearTimeout(timer);
        timer = setTimeout(() => (going.textContent = "Nothing gets through just now. It goes on by itself as soon as it can."), STALL_MS);
      };
      const ended = (answer) => () => {
        clearTimeout(timer);
        done(answer(request));
      };
      request.open("POST", form.action);
      request.timeout = LONGEST_MS;
      request.upload.onprogress = (event) => {
        if (event.lengthComputable) bar.value = Math.round((100 * event.loaded) / event.total);
        moved("");
      };
      request.upload.onload = () => moved("It has arrived.");
      request.onload = ended((now) => ({ status: now.status, text: now.responseText, at: now.responseURL }));
      request.onerror = request.ontimeout = request.onabort = ended(() => null);
      moved("");
      request.send(data);
    });
  // the mark lets the page know a sending that comes again because its answer was lost
  const send = async (photo) => {
    const data = new FormData(form);
    data.delete("photo");
    data.append("once", [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16)).join("-"));
    data.append("photo", photo, photo.name || "photo");
    for (let attempt = 0; !cancelled; attempt += 1) {
      const answer = await post(data);
      if (cancelled) return null;
      if (answer && answer.status !== FULL) return answer;
      if (!answer && attempt >= PAUSES_MS.length) return null;
      going.textContent = answer ? "Many photos are waiting; this one follows." : "The connection broke off. It is sent again by itself.";
      bar.value = 0;
      await wait(PAUSES_MS[Math.min(attempt, PAUSES_MS.length - 1)]);
    }
    return null;
  };
  const upload = async (photos) => {
    cancelled = false;
    trouble.remove();
    form.classList.add("sending");
    box.hidden = false;
    let last = null;
    for (const [place, photo] of photos.entries()) {
      chosen = photos.slice(place);
      document.getElementById("sending").textContent = photos.length > 1 ? `Sending ${place + 1} of ${photos.length}` : "Sending";
      bar.value = 0;
      last = await send(photo);
      if (cancelled) return rest();
      if (!last) return complain("The connection broke off. Go nearer to the wireless station, then send it again.");
      if (!last.at.includes("/job/")) return complain(...saidBy(last));
    }
    forget(form);
    location.assign(photos.length === 1 ? last.at : form.dataset.upload || "/");
  };
  document.getElementById("cancel").addEventListener("click", () => {
    cancelled = true;
    if (request) request.abort();
    rest();
  });
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    if (chosen.length && !form.classList.contains("sending")) upload(chosen);
  });
  for (const input of inputs)
    input.addEventListener("change", () => {
      const photos = [...input.files];
      input.value = ""; // the same one can be chosen again
      if (photos.length && !form.classList.contains("sending")) upload(photos);
    });
  liven(form, upload);
  // back from the answer: the form stands as it was left
  addEventListener("pageshow", (event) => event.persisted && rest());
}

// ---------------------------------------------------------------- waiting

// a waiting page asks how far it is, and goes on when the answer is there
for (const place of document.querySelectorAll("[data-job]")) {
  const words = document.getElementById("place");
  const trouble = document.getElementById("trouble");
  let missed = 0;
  const began = performance.now();
  // most answers are there within seconds: it asks often then, and spares the battery later
  const pause = () => (missed ? 2000 : performance.now() - began < 5000 ? 200 : 700);
  const say = (sentence) => {
    if (trouble.textContent !== sentence) trouble.textContent = sentence;
    trouble.hidden = !sentence;
  };
  const ask = async () => {
    try {
      const answer = await fetch(`/job/${place.dataset.job}/state`, { signal: AbortSignal.timeout?.(STALL_MS) });
      if (answer.status === 403) return say("The computer no longer knows this phone. Open the address that it shows now; your photo is not lost.");
      if (answer.status === 404) return say("The computer no longer knows this photo. Go to the start; if nothing is there, send it again.");
      if (!answer.ok) throw new Error(answer.status);
      const state = await answer.json();
      if (state.done) {
        location.reload();
        return;
      }
      missed = 0;
      say("");
      words.textContent = state.place;
    } catch {
      missed += 1;
      if (missed >= 3) say("The computer does not answer. Is it on, and is this phone in its network? The photo is kept there; this page goes on by itself.");
    }
    setTimeout(ask, pause());
  };
  setTimeout(ask, pause());
}

// ---------------------------------------------------------------- sharing

// where the phone can, a file goes to the program that its user picks; elsewhere the link downloads it
for (const link of document.querySelectorAll("a[data-share]"))
  link.addEventListener("click", async (event) => {
    const probe = new File([""], "a.html", { type: "text/html" });
    if (!navigator.canShare?.({ files: [probe] })) return;
    event.preventDefault();
    try {
      const content = await (await fetch(link.href)).blob();
      const name = link.href.split("/").pop();
      await navigator.share({ files: [new File([content], name, { type: "text/html" })], title: link.dataset.share });
    } catch (error) {
      if (error.name !== "AbortError") location.assign(link.href);
    }
  });

for (const button of document.querySelectorAll("[data-print]")) {
  button.hidden = false;
  button.addEventListener("click", () => print());
}

// ---------------------------------------------------------------- when the computer is off

// refused where the certificate is not trusted: then the browser's own word stands there
navigator.serviceWorker?.register("/worker.js").catch(() => {});

// the start leaves behind how the sleds stood, for the screen that stands in
for (const list of document.querySelectorAll("[data-sleds]")) {
  const sleds = [...list.children].map((item) => [item.querySelector("a").textContent, item.querySelector(".word").textContent.trim()]);
  localStorage.setItem("last", JSON.stringify({ when: new Date().toLocaleString(), sleds }));
}
for (const section of document.querySelectorAll("#last")) {
  const last = JSON.parse(localStorage.getItem("last") || "null");
  if (!last) continue;
  document.getElementById("last-when").textContent = last.when;
  for (const [name, said] of last.sleds) {
    const line = document.createElement("li");
    line.textContent = `${name}: ${said}`;
    document.getElementById("last-sleds").append(line);
  }
  section.hidden = false;
}
