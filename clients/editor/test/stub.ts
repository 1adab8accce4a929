/**
 * A small editor: the module `vscode` as far as the extension and its language client use it.
 *
 * It keeps texts, tells of their changes in the order of the editor, records what is registered and shown, and answers
 * questions from lists that a test fills.  What is not there is a class or an event without effect, so that the client,
 * which names the whole interface when it is loaded, can be loaded.
 */

import Module from "node:module";
import { Minimatch } from "minimatch";
import { URI } from "vscode-uri";
import * as values from "./stub_values";

interface Filter {
  readonly language?: string;
  readonly scheme?: string;
  readonly pattern?: string;
}

type Provider = Record<string, (...all: never[]) => unknown>;

export class Editor {
  readonly documents: values.TextDocument[] = [];
  /** One map for each collection, by address; the editor shows the findings of all of them. */
  readonly collections: Map<string, readonly values.Diagnostic[]>[] = [];
  readonly commands = new Map<string, (...all: unknown[]) => unknown>();
  readonly providers: { kind: string; selector: readonly Filter[]; provider: Provider }[] = [];
  readonly contents = new Map<string, { provideTextDocumentContent(uri: URI): unknown }>();
  /** Commands of the editor itself that were asked for. */
  readonly executed: { name: string; all: unknown[] }[] = [];
  readonly messages: { kind: string; text: string; answers: string[] }[] = [];
  readonly logged: string[] = [];
  readonly picks: { items: unknown[]; options: unknown }[] = [];
  /** What the next list or message is answered with; `undefined` once it is empty. */
  readonly answers: unknown[] = [];
  readonly settings = new Map<string, unknown>();
  readonly updates: { name: string; value: unknown; target: unknown }[] = [];
  active: { document: values.TextDocument; selection: { active: values.Position } } | undefined;
  readonly opened = new values.EventEmitter<values.TextDocument>();
  readonly changed = new values.EventEmitter<{ document: values.TextDocument; contentChanges: unknown[] }>();
  readonly saved = new values.EventEmitter<values.TextDocument>();
  readonly closed = new values.EventEmitter<values.TextDocument>();
  readonly configured = new values.EventEmitter<{ affectsConfiguration(section: string): boolean }>();
  readonly judged = new values.EventEmitter<{ uris: URI[] }>();

  constructor(readonly folder: string | undefined) {}

  /** Opens a text and puts it in front. */
  async open(path: string, languageId: string, text: string): Promise<values.TextDocument> {
    const document = new values.TextDocument(URI.file(path), languageId, text);
    this.documents.push(document);
    this.look(document, 0, 0);
    await this.opened.fire(document);
    return document;
  }

  look(document: values.TextDocument, line: number, character: number): void {
    this.active = { document, selection: { active: new values.Position(line, character) } };
  }

  async change(document: values.TextDocument, edits: readonly values.TextEdit[]): Promise<void> {
    await this.changed.fire({ document, contentChanges: document.change(edits) });
  }

  async save(document: values.TextDocument): Promise<void> {
    await this.saved.fire(document);
  }

  async close(document: values.TextDocument): Promise<void> {
    this.documents.splice(this.documents.indexOf(document), 1);
    if (this.active?.document === document) this.active = undefined;
    document.isClosed = true;
    await this.closed.fire(document);
  }

  async set(name: string, value: unknown): Promise<void> {
    this.settings.set(name, value);
    await this.configured.fire({ affectsConfiguration: (section) => `${name}.`.startsWith(`${section}.`) });
  }

  async command(name: string): Promise<unknown> {
    const run = this.commands.get(name);
    if (run === undefined) throw new Error(`no command ${name}`);
    return run();
  }

  shown(document: values.TextDocument): readonly values.Diagnostic[] {
    return this.#shown(document.uri);
  }

  #shown(uri: URI): values.Diagnostic[] {
    return this.collections.flatMap((collection) => collection.get(uri.toString()) ?? []);
  }

  /** The answer of the first provider of a kind that is registered for a document. */
  async ask<T>(kind: string, method: string, document: values.TextDocument, ...rest: unknown[]): Promise<T> {
    const found = this.providers.find((one) => one.kind === kind && match(one.selector, document) > 0);
    const run = found?.provider[method];
    if (run === undefined) throw new Error(`nothing registered provides ${kind}`);
    const source = new values.CancellationTokenSource();
    return (await run.call(found?.provider, ...([document, ...rest, source.token] as never[]))) as T;
  }

  /** Waits for `condition`, looked at whenever findings come in and every few milliseconds. */
  async until(what: string, condition: () => boolean, seconds = 30): Promise<void> {
    const end = Date.now() + seconds * 1000;
    while (!condition()) {
      if (Date.now() > end) throw new Error(`waited ${seconds} s for ${what}; log:\n${this.logged.join("\n")}`);
      await new Promise((resume) => setTimeout(resume, 10));
    }
  }

  /** Makes this editor the module `vscode` of whatever is loaded from now on. */
  install(): void {
    const api = this.#api();
    const loader = Module as unknown as { _load(request: string, ...rest: unknown[]): unknown };
    const load = loader._load;
    loader._load = (request, ...rest) => (request === "vscode" ? api : load.call(loader, request, ...rest));
  }

  #message(kind: string) {
    return async (text: string, ...answers: unknown[]): Promise<unknown> => {
      this.messages.push({ kind, text, answers: answers.filter((one) => typeof one === "string") });
      return answers.length > 0 ? this.answers.shift() : undefined;
    };
  }

  #channel() {
    const log = (text: unknown): void => void this.logged.push(String(text));
    const names = ["append", "appendLine", "info", "warn", "error", "debug", "trace"];
    const levels = new values.EventEmitter<number>();
    const rest = { logLevel: 3, onDidChangeLogLevel: levels.event, show: () => log("(shown)"), dispose: () => undefined };
    return { ...Object.fromEntries(names.map((name) => [name, log])), ...rest };
  }

  #collection() {
    const collection = new Map<string, readonly values.Diagnostic[]>();
    this.collections.push(collection);
    const set = (uri: URI, found: readonly values.Diagnostic[] | undefined): void => {
      collection.set(uri.toString(), found ?? []);
      void this.judged.fire({ uris: [uri] });
    };
    const clear = (): void => collection.clear();
    return { set, delete: (uri: URI) => set(uri, undefined), clear, dispose: clear, forEach: () => undefined };
  }

  #configuration(section?: string) {
    const full = (name: string): string => (section === undefined ? name : `${section}.${name}`);
    return {
      get: (name: string) => this.settings.get(full(name)),
      has: (name: string) => this.settings.has(full(name)),
      update: async (name: string, value: unknown, target: unknown) => {
        this.updates.push({ name: full(name), value, target });
        await this.set(full(name), value);
      },
    };
  }

  async #apply(edit: values.WorkspaceEdit): Promise<boolean> {
    for (const [uri, edits] of edit.entries()) {
      const document = this.documents.find((one) => one.uri.toString() === uri.toString());
      if (document === undefined) return false;
      await this.change(document, edits);
    }
    return true;
  }

  #api(): unknown {
    const registered = (kind: string) => (selector: Filter | readonly Filter[], provider: Provider) => {
      const one = { kind, selector: [selector].flat() as Filter[], provider };
      this.providers.push(one);
      return new values.Disposable(() => void this.providers.splice(this.providers.indexOf(one), 1));
    };
    const languages = {
      match,
      createDiagnosticCollection: () => this.#collection(),
      getDiagnostics: (uri: URI) => this.#shown(uri),
      onDidChangeDiagnostics: this.judged.event,
    };
    const { folder } = this;
    const workspace = {
      textDocuments: this.documents,
      notebookDocuments: [],
      workspaceFolders: folder === undefined ? undefined : [{ uri: URI.file(folder), name: "shed", index: 0 }],
      isTrusted: true,
      onDidOpenTextDocument: this.opened.event,
      onDidChangeTextDocument: this.changed.event,
      onDidSaveTextDocument: this.saved.event,
      onDidCloseTextDocument: this.closed.event,
      onDidChangeConfiguration: this.configured.event,
      getConfiguration: (section?: string) => this.#configuration(section),
      getWorkspaceFolder: () => undefined,
      applyEdit: (edit: values.WorkspaceEdit) => this.#apply(edit),
      registerTextDocumentContentProvider: (scheme: string, provider: never) => {
        this.contents.set(scheme, provider);
        return new values.Disposable(() => this.contents.delete(scheme));
      },
    };
    const editor = this;
    const window = {
      get activeTextEditor() {
        return editor.active;
      },
      visibleTextEditors: [],
      tabGroups: { all: [], onDidChangeTabs: new values.EventEmitter().event },
      createOutputChannel: () => this.#channel(),
      showErrorMessage: this.#message("error"),
      showWarningMessage: this.#message("warning"),
      showInformationMessage: this.#message("information"),
      showQuickPick: async (items: unknown[], options: unknown) => {
        this.picks.push({ items, options });
        const answer = this.answers.shift();
        if (answer === undefined) return undefined;
        return items.find((item) => item === answer || (item as { label?: string }).label === answer);
      },
      withProgress: (_options: unknown, task: (progress: unknown, token: unknown) => unknown) =>
        task({ report: () => undefined }, new values.CancellationTokenSource().token),
    };
    const commands = {
      registerCommand: (name: string, run: (...all: unknown[]) => unknown) => {
        this.commands.set(name, run);
        return new values.Disposable(() => this.commands.delete(name));
      },
      executeCommand: async (name: string, ...all: unknown[]) => void this.executed.push({ name, all }),
    };
    return withoutEffect({
      // A compiled module hands names on as they are; of any other only those that are listed.
      __esModule: true,
      ...values,
      Uri: URI,
      version: "1.91.0",
      env: { appName: "stub", language: "en" },
      languages: withoutEffect(languages, (name) => registered(name.replace(/^register|Provider$/g, ""))),
      workspace: withoutEffect(workspace),
      window: withoutEffect(window),
      commands,
      ConfigurationTarget: { Global: 1, Workspace: 2 },
      DiagnosticSeverity: { Error: 0, Warning: 1, Information: 2, Hint: 3 },
      ProgressLocation: { SourceControl: 1, Window: 10, Notification: 15 },
      ViewColumn: { Beside: -2 },
    });
  }
}

/** A good match counts 10, none 0, as in the editor; all members of a filter have to fit. */
function match(selector: Filter | readonly Filter[], document: values.TextDocument): number {
  const fits = ({ language, scheme, pattern }: Filter): boolean =>
    (language === undefined || language === document.languageId) &&
    (scheme === undefined || scheme === document.uri.scheme) &&
    (pattern === undefined || new Minimatch(pattern, { dot: true }).match(document.uri.fsPath));
  return ([selector].flat() as Filter[]).some(fits) ? 10 : 0;
}

/** Adds what is missing: a class for a name with a capital letter, an event or function without effect otherwise. */
function withoutEffect<T extends object>(known: T, register?: (name: string) => unknown): T {
  const made = new Map<string, unknown>();
  const make = (name: string): unknown => {
    if (/^[A-Z]/.test(name)) return class {};
    if (register !== undefined && name.startsWith("register")) return register(name);
    return () => new values.Disposable(() => undefined);
  };
  return new Proxy(known, {
    get(target, name, self) {
      if (name in target || typeof name === "symbol" || name === "then") {
        return Reflect.get(target, name, self) as unknown;
      }
      if (!made.has(name)) made.set(name, make(name));
      return made.get(name);
    },
  });
}
