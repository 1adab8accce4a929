/** A session with the real server over its pipes, by the protocol's own library for Node. */

import { spawn, type ChildProcess } from "node:child_process";
import { readFileSync } from "node:fs";
import { pathToFileURL } from "node:url";
import {
  createProtocolConnection,
  StreamMessageReader,
  StreamMessageWriter,
  type CodeAction,
  type Diagnostic,
  type ProtocolConnection,
  type PublishDiagnosticsParams,
  type ServerCapabilities,
  type TextEdit,
} from "vscode-languageserver-protocol/node";
import { TextDocument } from "vscode-languageserver-textdocument";
import { DEFAULTS } from "../src/settings";
import { ROOT, serverCommand } from "./places";

/** What an editor can do, as far as it changes what the server sends (LSP 3.17, ClientCapabilities). */
const CAPABILITIES = {
  workspace: { workspaceEdit: { documentChanges: true }, configuration: false },
  textDocument: {
    synchronization: { didSave: true },
    publishDiagnostics: { versionSupport: true, relatedInformation: true, codeDescriptionSupport: true, dataSupport: true },
    codeAction: {
      codeActionLiteralSupport: { codeActionKind: { valueSet: ["quickfix", "refactor", "source.fixAll"] } },
      dataSupport: true,
      disabledSupport: true,
      isPreferredSupport: true,
      resolveSupport: { properties: ["edit"] },
    },
    hover: { contentFormat: ["markdown" as const] },
  },
};

export class Pipe {
  readonly #child: ChildProcess;
  readonly connection: ProtocolConnection;
  readonly told: PublishDiagnosticsParams[] = [];
  #document = TextDocument.create("", "yaml", 0, "");
  errors = "";
  capabilities: ServerCapabilities = {};

  constructor() {
    const [program = "", ...args] = serverCommand();
    const child = spawn(program, args, { cwd: ROOT, stdio: ["pipe", "pipe", "pipe"] });
    child.stderr.setEncoding("utf-8").on("data", (text: string) => (this.errors += text));
    this.#child = child;
    this.connection = createProtocolConnection(new StreamMessageReader(child.stdout), new StreamMessageWriter(child.stdin));
    this.connection.onNotification("textDocument/publishDiagnostics", (told: PublishDiagnosticsParams) => {
      this.told.push(told);
    });
    this.connection.onRequest("client/registerCapability", () => null);
    this.connection.listen();
  }

  get uri(): string {
    return this.#document.uri;
  }

  get text(): string {
    return this.#document.getText();
  }

  get version(): number {
    return this.#document.version;
  }

  async initialize(): Promise<void> {
    const answer = await this.connection.sendRequest<{ capabilities: ServerCapabilities }>("initialize", {
      processId: process.pid,
      rootUri: pathToFileURL(ROOT).href,
      capabilities: CAPABILITIES,
      initializationOptions: { thumbrule: { ...DEFAULTS.server, owner: "Mara" } },
    });
    this.capabilities = answer.capabilities;
    await this.connection.sendNotification("initialized", {});
  }

  async open(path: string, text = readFileSync(path, "utf-8")): Promise<void> {
    this.#document = TextDocument.create(pathToFileURL(path).href, path.endsWith(".json") ? "json" : "yaml", 1, text);
    const { uri, languageId, version } = this.#document;
    await this.connection.sendNotification("textDocument/didOpen", {
      textDocument: { uri, languageId, version, text },
    });
  }

  /** Applies edits to the text and tells the server each one, from the end of the text on. */
  async change(edits: readonly TextEdit[]): Promise<void> {
    const late = (edit: TextEdit): number => this.#document.offsetAt(edit.range.start);
    const contentChanges = [...edits]
      .sort((one, other) => late(other) - late(one))
      .map(({ range, newText }) => ({ range, text: newText }));
    TextDocument.update(this.#document, contentChanges, this.#document.version + 1);
    const textDocument = { uri: this.uri, version: this.version };
    await this.connection.sendNotification("textDocument/didChange", { textDocument, contentChanges });
  }

  /** The first findings from message `from` on that are about the text as it is now and meet `condition`. */
  async findings(what: string, from: number, condition: (found: Diagnostic[]) => boolean): Promise<Diagnostic[]> {
    const end = Date.now() + 30_000;
    while (Date.now() < end) {
      const { uri, version } = this;
      const good = this.told
        .slice(from)
        .find((one) => one.uri === uri && one.version === version && condition(one.diagnostics));
      if (good !== undefined) return good.diagnostics;
      await new Promise((resume) => setTimeout(resume, 5));
    }
    throw new Error(`waited 30 s for ${what}; told: ${JSON.stringify(this.told)}\n${this.errors}`);
  }

  async actions(diagnostics: Diagnostic[], only?: string[]): Promise<CodeAction[]> {
    const [first] = diagnostics;
    if (first === undefined) throw new Error("no finding to ask about");
    const context = only === undefined ? { diagnostics } : { diagnostics, only };
    const parameters = { textDocument: { uri: this.uri }, range: first.range, context };
    return (await this.connection.sendRequest<CodeAction[] | null>("textDocument/codeAction", parameters)) ?? [];
  }

  /** The edits of an action for the open text, with the version that the server says they are for. */
  async edits(action: CodeAction): Promise<{ edits: TextEdit[]; version: number | null }> {
    const resolved = action.edit ? action : await this.connection.sendRequest<CodeAction>("codeAction/resolve", action);
    const changes = resolved.edit?.documentChanges ?? [];
    const found = changes.flatMap((one) => ("textDocument" in one && one.textDocument.uri === this.uri ? [one] : []));
    const [only] = found;
    if (only === undefined || found.length !== changes.length) {
      throw new Error(`an edit of this text alone was wanted: ${JSON.stringify(resolved)}`);
    }
    return { edits: only.edits as TextEdit[], version: only.textDocument.version };
  }

  /** Says goodbye; the exit status of the server. */
  async end(): Promise<number | null> {
    const ended = new Promise<number | null>((resume) => this.#child.once("exit", resume));
    await this.connection.sendRequest("shutdown");
    await this.connection.sendNotification("exit");
    const status = await ended;
    this.connection.dispose();
    return status;
  }

  kill(): void {
    this.#child.kill("SIGKILL");
  }
}
