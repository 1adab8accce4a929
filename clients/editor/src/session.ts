/** The one server of a window: started with the first circuit, told of circuits only, started anew on request. */

import * as vscode from "vscode";
import {
  CodeActionTriggerKind,
  DidChangeConfigurationNotification,
  DidOpenTextDocumentNotification,
  LanguageClient,
  LSPErrorCodes,
  ResponseError,
  type CodeAction,
  type LanguageClientOptions,
  type Middleware,
} from "vscode-languageclient/node";
import { CannotStart, here, launch } from "./command";
import { Gate, guarded } from "./gate";
import { isCircuit, LANGUAGES, pathPatterns, SCHEMES } from "./selector";
import { readSettings, serverOptions, type Settings } from "./settings";

const SETTING = "thumbrule.command";
/** LSP 3.17, CodeActionKind: what is safe to apply without being asked about each one. */
const FIX_ALL = "source.fixAll";
const CHANGED = "The text has changed meanwhile. Ask again.";

export class Session implements vscode.Disposable {
  readonly #gate = new Gate<vscode.TextDocument>((document) => this.#isCircuit(document));
  #settings: Settings;
  #client: LanguageClient | undefined;
  /** Starts and stops wait for each other; two servers at once would both send findings. */
  #turn: Promise<void> = Promise.resolve();
  /** Set by a start that failed, so that each keystroke does not try and complain again. */
  #failed = false;

  constructor(private readonly output: vscode.LogOutputChannel) {
    this.#settings = this.#read();
  }

  /** Starts the server if a document is a circuit and it does not run; tells it of one that has become a circuit. */
  async notice(document: vscode.TextDocument): Promise<void> {
    if (this.#gate.has(document) || !this.#isCircuit(document)) return;
    if (this.#client?.isRunning()) {
      const feature = this.#client.getFeature(DidOpenTextDocumentNotification.method);
      await feature.getProvider(document)?.send(document);
    } else if (!this.#failed) {
      await this.start();
    }
  }

  /** Starts the server unless it runs; a failure is shown, not thrown. */
  start(): Promise<void> {
    return this.#queued(async () => {
      if (this.#client === undefined) await this.#start();
    });
  }

  /** Stops the server and starts it with the settings of now. */
  restart(): Promise<void> {
    return this.#queued(async () => {
      await this.#stop();
      this.#settings = this.#read();
      await this.#start();
    });
  }

  /** Takes over changed settings; the server is started anew only where that has to be. */
  async configure(): Promise<void> {
    const before = this.#settings;
    this.#settings = this.#read();
    const same = (name: "command" | "files"): boolean =>
      JSON.stringify(before[name]) === JSON.stringify(this.#settings[name]);
    if (!same("command") || !same("files")) {
      this.#failed = false;
      if (this.#client !== undefined) await this.restart();
      await this.noticeAll();
    } else if (this.#client?.isRunning()) {
      const settings = serverOptions(this.#settings);
      await this.#client.sendNotification(DidChangeConfigurationNotification.type, { settings });
    }
  }

  async noticeAll(): Promise<void> {
    for (const document of vscode.workspace.textDocuments) await this.notice(document);
  }

  get settings(): Settings {
    return this.#settings;
  }

  /** True when the server knows the document. */
  knows(document: vscode.TextDocument): boolean {
    return this.#client?.isRunning() === true && this.#gate.has(document);
  }

  /** True when the server should know the document. */
  wants(document: vscode.TextDocument): boolean {
    return this.#isCircuit(document);
  }

  /** Asks the server something of our own; `undefined` when it does not run. */
  async ask(method: string, parameters: object): Promise<unknown> {
    return this.#client?.isRunning() ? await this.#client.sendRequest<unknown>(method, parameters) : undefined;
  }

  /**
   * Applies the change that mends everything proven in a document; only this server is asked.
   *
   * @returns what to tell the reader where nothing was changed, unless the server itself has told it.
   */
  async mend(document: vscode.TextDocument): Promise<string | undefined> {
    const client = this.#client;
    if (client === undefined || !this.knows(document)) return "The server of thumbrule does not run.";
    const { version } = document;
    let edit: vscode.WorkspaceEdit | undefined;
    try {
      const action = await this.#fixAll(client, document);
      if (action === undefined) return "Nothing to mend: this circuit has no finding.";
      if (action.disabled !== undefined) return `Nothing was changed: ${action.disabled.reason}.`;
      edit = await client.protocol2CodeConverter.asWorkspaceEdit(action.edit);
    } catch (error) {
      if (error instanceof ResponseError && error.code === LSPErrorCodes.ContentModified) return CHANGED;
      throw error;
    }
    if (document.version !== version) return CHANGED;
    if (edit === undefined || edit.size === 0) return undefined;
    return (await vscode.workspace.applyEdit(edit)) ? undefined : "The editor did not take the change.";
  }

  /** The action that mends everything, with its edit where there is one. */
  async #fixAll(client: LanguageClient, document: vscode.TextDocument): Promise<CodeAction | undefined> {
    const whole = new vscode.Range(new vscode.Position(0, 0), document.positionAt(document.getText().length));
    const actions = await client.sendRequest<CodeAction[] | null>("textDocument/codeAction", {
      textDocument: client.code2ProtocolConverter.asTextDocumentIdentifier(document),
      range: client.code2ProtocolConverter.asRange(whole),
      context: { diagnostics: [], only: [FIX_ALL], triggerKind: CodeActionTriggerKind.Invoked },
    });
    const action = actions?.find(({ kind }) => kind?.startsWith(FIX_ALL));
    const whatIsThere = action === undefined || action.edit !== undefined || action.disabled !== undefined;
    return whatIsThere ? action : await client.sendRequest<CodeAction>("codeAction/resolve", action);
  }

  dispose(): Promise<void> {
    return this.#queued(() => this.#stop());
  }

  #read(): Settings {
    const stored = vscode.workspace.getConfiguration("thumbrule");
    const { settings, problems } = readSettings((name) => stored.get(name));
    for (const problem of problems) this.output.appendLine(problem);
    if (problems.length > 0) void vscode.window.showWarningMessage(problems.join(" "));
    return settings;
  }

  #isCircuit(document: vscode.TextDocument): boolean {
    const { scheme } = document.uri;
    const patterns = pathPatterns(this.#settings.files);
    const named = patterns.some((pattern) => vscode.languages.match({ scheme, pattern }, document) > 0);
    return isCircuit({ scheme, languageId: document.languageId, named, text: () => document.getText() });
  }

  #queued(step: () => Promise<void>): Promise<void> {
    const turn = this.#turn.then(step);
    this.#turn = turn.catch(() => undefined);
    return turn;
  }

  async #start(): Promise<void> {
    try {
      const folder = vscode.workspace.workspaceFolders?.find(({ uri }) => uri.scheme === "file");
      const { program, args, cwd, env } = launch(this.#settings.command, here(folder?.uri.fsPath));
      const options = cwd === undefined ? { env: { ...env } } : { env: { ...env }, cwd };
      const server = { command: program, args: [...args], options };
      this.#client = new LanguageClient("thumbrule", "thumbrule", server, this.#options());
      this.output.appendLine(`starting ${[program, ...args].join(" ")}`);
      await this.#client.start();
      this.#failed = false;
      await this.noticeAll();
    } catch (error) {
      this.#failed = true;
      await this.#stop();
      const known = error instanceof CannotStart;
      const message = known ? error.message : `The server of thumbrule did not start: ${String(error)}`;
      this.output.appendLine(message);
      void this.#complain(message, known ? "Open the setting" : "Show the output");
    }
  }

  async #complain(message: string, answer: "Open the setting" | "Show the output"): Promise<void> {
    if ((await vscode.window.showErrorMessage(message, answer)) === undefined) return;
    if (answer === "Show the output") this.output.show(true);
    else await vscode.commands.executeCommand("workbench.action.openSettings", SETTING);
  }

  async #stop(): Promise<void> {
    const client = this.#client;
    this.#client = undefined;
    // One that failed to start has nothing to say goodbye to.
    if (client?.isRunning()) await client.stop().catch((error: unknown) => this.output.appendLine(String(error)));
    this.#gate.clear();
  }

  #options(): LanguageClientOptions {
    // Wider than what the server is asked about: the middleware decides by the text, which no selector can see.
    const languages = SCHEMES.flatMap((scheme) => LANGUAGES.map((language) => ({ scheme, language })));
    const patterns = pathPatterns(this.#settings.files).flatMap((pattern) =>
      SCHEMES.map((scheme) => ({ scheme, pattern })),
    );
    return {
      documentSelector: [...languages, ...patterns],
      initializationOptions: serverOptions(this.#settings),
      outputChannel: this.output,
      middleware: this.#middleware(),
    };
  }

  #middleware(): Middleware {
    const gate = this.#gate;
    return {
      ...(guarded(gate) as Middleware),
      didOpen: async (document, next) => {
        if (gate.admit(document)) await next(document);
      },
      didChange: async (event, next) => {
        // Of one that becomes a circuit by this change the server hears through `notice`.
        if (gate.follows(event.document)) await next(event);
      },
      didSave: async (document, next) => {
        if (gate.has(document)) await next(document);
      },
      didClose: async (document, next) => {
        if (gate.leave(document)) await next(document);
      },
    };
  }
}
