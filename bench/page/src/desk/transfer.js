// Files that go to the program and come from it. What goes wrong comes back as one line.

const GONE = "the desk's program does not answer; start it again";

/** Sends a file of no more than `largest` bytes as a log; gives { fine, log, read } or { fine: false, text }. */
export async function bring(file, largest) {
  if (file.size > largest) return { fine: false, text: `${file.name}: is larger than ${largest >> 20} MiB; cut the run out of it, or start the desk with it: liftlatch desk LOG` };
  try {
    const answer = await fetch(`log?name=${encodeURIComponent(file.name)}`, { method: "POST", body: file });
    return await answer.json();
  } catch {
    return { fine: false, text: `${file.name}: ${GONE}` };
  }
}

/** Downloads what the program makes of the work: "report.html" or "image". Gives what is wrong, or nothing. */
export async function takeAlong(what) {
  try {
    const answer = await fetch(what);
    if (!answer.ok) return (await answer.json()).text;
    const name = decodeURIComponent(answer.headers.get("Content-Disposition").split("''")[1]);
    const link = Object.assign(document.createElement("a"), { href: URL.createObjectURL(await answer.blob()), download: name });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    return "";
  } catch {
    return GONE;
  }
}
