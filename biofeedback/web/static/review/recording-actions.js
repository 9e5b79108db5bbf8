// What can be done with the recording on screen: take it along, give it another code, delete it for good.

import { $, make, setText, show } from "../shared/dom.js";

const FORMATS = { csv: "CSV table (zip)", numpy: "NumPy archive", edf: "EDF+, 16 bits", bdf: "BDF+, 24 bits" };
let now = null; // {entry, written, formats, after, here, answerS}
let toDelete = null;
let beside = []; // names of reports and exports that say the old code

async function answered(request) {
  const answer = await request.catch(() =>
    Promise.reject(new Error("The program does not answer. Start it again, then reload the page.")),
  );
  if (!answer.ok) throw new Error(await answer.text());
  return answer;
}

/** GET as JSON; an Error with what is wrong and its cure otherwise. */
export const ask = async (path, query = {}) => (await answered(fetch(`${path}?${new URLSearchParams(query)}`))).json();
const order = async (path, body, signal) =>
  (await answered(fetch(path, { method: "POST", body: JSON.stringify(body), signal }))).json();

/** Offer it all for one recording; what is being written is neither renamed nor deleted. */
export function showActions(offer) {
  now = offer;
  $("format").replaceChildren(
    ...Object.entries(FORMATS).map(([name, text]) =>
      make(
        "option",
        { value: name, disabled: !offer.formats.includes(name) },
        offer.formats.includes(name) ? text : `${text}: needs the package edfio`,
      ),
    ),
  );
  setText($("export-said"), "");
  show($("change"), !offer.written);
  show($("being-written"), offer.written);
  show($("asked-there"), !offer.written && !offer.here);
  show($("recording-actions"), true);
}

export const sizeText = (n) => (n < 1e6 ? `${Math.max(1, Math.round(n / 1e3))} kB` : `${(n / 1e6).toFixed(1)} MB`);

/** The name that an answer gives its file; one that is not plain comes percent-encoded (RFC 6266). */
function fileName(disposition) {
  const coded = /filename\*=utf-8''([^;]+)/i.exec(disposition)?.[1];
  return coded ? decodeURIComponent(coded) : (/filename="([^"]+)"/.exec(disposition)?.[1] ?? "recording");
}

async function download() {
  setText($("export-said"), "Preparing …");
  try {
    const query = { name: now.entry.name, to: $("format").value, ...($("anonymous").checked ? { anonymous: "1" } : {}) };
    const answer = await answered(fetch(`/review/export?${new URLSearchParams(query)}`));
    const name = fileName(answer.headers.get("content-disposition") ?? "");
    const url = URL.createObjectURL(await answer.blob());
    make("a", { href: url, download: name }).click();
    setTimeout(() => URL.revokeObjectURL(url), 60000);
    setText($("export-said"), `${name} is in your downloads.`);
  } catch (error) {
    setText($("export-said"), error.message);
  }
}

/** Order a change; elsewhere than at the computer that records, wait for a yes there, saying so. */
async function change(path, body, said, button) {
  if (now.here) return order(path, body);
  const untilMs = performance.now() + 1000 * now.answerS;
  const tell = () => {
    const leftS = Math.ceil((untilMs - performance.now()) / 10000) * 10;
    setText(said, `The computer that records asks for a yes, within ${Math.max(10, leftS)} s. Leave this open.`);
  };
  tell();
  const timer = setInterval(tell, 1000);
  button.disabled = true;
  const leaving = new AbortController(); // who closes the dialog does not want it any more
  button.closest("dialog").addEventListener("close", () => leaving.abort(), { once: true });
  try {
    return await order(path, body, leaving.signal);
  } finally {
    clearInterval(timer);
    setText(said, "");
    button.disabled = false;
  }
}

async function rename(event) {
  event.preventDefault();
  const body = { name: now.entry.name, code: $("new-code").value.trim(), files: $("rename-also").checked ? beside : [] };
  try {
    const { name } = await change("/review/rename", body, $("rename-said"), $("rename-go"));
    $("rename").close();
    await now.after("Choose a recording", "", name);
  } catch (error) {
    setText($("rename-said"), error.message);
  }
}

async function openRename() {
  $("new-code").value = "";
  setText($("rename-said"), "");
  const old = now.entry.athlete || "none";
  const changes = `Its settings, notes and file name will say the new code instead of ${old}, and no trace of the old one is left in it.`;
  const stays = "Readings and ratings stay as they are. Copies elsewhere, in backups or mails, keep the old code.";
  setText($("rename-lead"), `${changes} ${stays}`);
  beside = [];
  show($("rename-beside"), false);
  $("rename").showModal();
  try {
    const { files } = await ask("/review/files-to-delete", { name: now.entry.name });
    beside = files.slice(1).map((file) => file.name);
    $("rename-files").replaceChildren(...files.slice(1).map(fileRow));
    show($("rename-beside"), beside.length > 0);
  } catch (error) {
    setText($("rename-said"), error.message);
  }
}

const fileRow = (file) => make("li", {}, make("span", {}, file.name), make("span", { class: "small" }, sizeText(file.n_bytes)));

function describeDeletion(n) {
  const [which, them] = n === 1 ? ["This file", "it"] : [`These ${n} files`, "them"];
  const gone = `${which} will be overwritten and deleted. Nobody can bring ${them} back. The list forgets ${them} too.`;
  return `${gone} Copies elsewhere, in backups, mails or downloads, are not touched, nor are certificates of sensors.`;
}

async function openDelete() {
  setText($("delete-said"), "");
  $("typed-code").value = "";
  show($("delete-typing"), false);
  show($("delete-sure"), true);
  toDelete = null;
  $("files-to-delete").replaceChildren();
  setText($("delete-lead"), "Looking for its files …");
  $("delete").showModal();
  try {
    toDelete = await ask("/review/files-to-delete", { name: now.entry.name });
    setText($("delete-lead"), describeDeletion(toDelete.files.length));
    $("files-to-delete").replaceChildren(...toDelete.files.map(fileRow));
    setText($("typed-label"), `Type ${toDelete.code} to delete for good`);
  } catch (error) {
    setText($("delete-lead"), error.message);
  }
  show($("delete-sure"), toDelete !== null);
}

function askAgain() {
  show($("delete-sure"), false);
  show($("delete-typing"), true);
  $("delete-go").disabled = true;
  $("typed-code").focus();
}

async function deleteForGood(event) {
  event.preventDefault();
  try {
    const files = toDelete.files.map((file) => file.name);
    const body = { name: now.entry.name, code: $("typed-code").value.trim(), files };
    const { n_files } = await change("/review/delete", body, $("delete-said"), $("delete-go"));
    $("delete").close();
    await now.after(
      "Deleted",
      `${n_files === 1 ? "1 file" : `${n_files} files`} of ${toDelete.code} deleted for good. Choose another recording.`,
    );
  } catch (error) {
    setText($("delete-said"), error.message);
  }
}

$("download").addEventListener("click", download);
$("open-rename").addEventListener("click", openRename);
$("rename-form").addEventListener("submit", rename);
$("open-delete").addEventListener("click", openDelete);
$("delete-sure").addEventListener("click", askAgain);
$("delete-form").addEventListener("submit", deleteForGood);
$("typed-code").addEventListener("input", () => ($("delete-go").disabled = $("typed-code").value.trim() !== toDelete?.code));
for (const button of document.querySelectorAll("[data-close]"))
  button.addEventListener("click", () => button.closest("dialog")?.close());
