// Backup: download the records, or restore them from a file.

import { button, h, put } from "../base/dom.js";
import { restoreFrom } from "../base/server.js";
import { text } from "../base/text.js";

/** Return what a paired phone sees of the backups. */
export function backupPart() {
  const answer = h("p", { class: "backup-answer", role: "status" });
  const file = h("input", { type: "file", id: "backup-file", accept: ".zip,application/zip" });
  const restore = async () => {
    if (file.files.length === 0) return put(answer, text("backup.choose"));
    put(answer, text("backup.checking"));
    try {
      put(answer, (await restoreFrom(file.files[0])).message);
    } catch (error) {
      put(answer, error.message);
    }
  };
  return [
    h("h2", {}, text("backup.heading")),
    h("p", {}, text("backup.contents")),
    h(
      "p",
      {},
      h("a", { class: "button", href: "/api/backup", download: "" }, text("backup.download")),
    ),
    h(
      "div",
      { class: "field" },
      h("label", { for: "backup-file" }, text("backup.file")),
      file,
      h("p", { class: "quiet" }, text("backup.replaces")),
    ),
    button(text("backup.restore"), restore),
    answer,
  ];
}
