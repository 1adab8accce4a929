/**
 * The value types of the editor's API that the extension and its language client touch, as far as they do.
 *
 * They follow the declarations of `@types/vscode` 1.91; `stub.ts` makes a module of them.
 */

import { URI } from "vscode-uri";

export class Position {
  constructor(
    readonly line: number,
    readonly character: number,
  ) {}

  compareTo(other: Position): number {
    return this.line - other.line || this.character - other.character;
  }

  isBefore(other: Position): boolean {
    return this.compareTo(other) < 0;
  }

  isEqual(other: Position): boolean {
    return this.compareTo(other) === 0;
  }
}

export class Range {
  readonly start: Position;
  readonly end: Position;

  constructor(start: Position | number, end: Position | number, endLine?: number, endCharacter?: number) {
    this.start = typeof start === "number" ? new Position(start, end as number) : start;
    this.end = typeof start === "number" ? new Position(endLine ?? 0, endCharacter ?? 0) : (end as Position);
  }
}

export class Location {
  constructor(
    readonly uri: URI,
    readonly range: Range,
  ) {}
}

export class Diagnostic {
  source: string | undefined;
  code: string | number | { value: string | number; target: URI } | undefined;
  relatedInformation: unknown[] | undefined;

  constructor(
    readonly range: Range,
    readonly message: string,
    readonly severity = 0,
  ) {}
}

export class DiagnosticRelatedInformation {
  constructor(
    readonly location: Location,
    readonly message: string,
  ) {}
}

export class CodeActionKind {
  static readonly Empty = new CodeActionKind("");
  static readonly QuickFix = new CodeActionKind("quickfix");
  static readonly Source = new CodeActionKind("source");
  static readonly SourceFixAll = new CodeActionKind("source.fixAll");
  static readonly Refactor = new CodeActionKind("refactor");

  constructor(readonly value: string) {}

  append(part: string): CodeActionKind {
    return new CodeActionKind(this.value === "" ? part : `${this.value}.${part}`);
  }
}

export class CodeAction {
  edit: WorkspaceEdit | undefined;
  command: unknown;
  diagnostics: Diagnostic[] | undefined;
  isPreferred: boolean | undefined;
  disabled: { reason: string } | undefined;

  constructor(
    readonly title: string,
    readonly kind?: CodeActionKind,
  ) {}
}

export class TextEdit {
  constructor(
    readonly range: Range,
    readonly newText: string,
  ) {}
}

export class WorkspaceEdit {
  readonly #edits = new Map<string, [URI, TextEdit[]]>();

  set(uri: URI, edits: TextEdit[]): void {
    this.#edits.set(uri.toString(), [uri, edits.map((edit) => (Array.isArray(edit) ? (edit[0] as TextEdit) : edit))]);
  }

  entries(): [URI, TextEdit[]][] {
    return [...this.#edits.values()];
  }

  get size(): number {
    return this.#edits.size;
  }
}

export class MarkdownString {
  isTrusted = false;
  supportHtml = false;
  baseUri: URI | undefined;

  constructor(public value = "") {}

  appendCodeblock(code: string, language: string): this {
    this.value += `\n\`\`\`${language}\n${code}\n\`\`\`\n`;
    return this;
  }
}

export class Hover {
  readonly contents: MarkdownString[];

  constructor(
    contents: MarkdownString | MarkdownString[],
    readonly range?: Range,
  ) {
    this.contents = Array.isArray(contents) ? contents : [contents];
  }
}

export class InlayHint {
  tooltip: unknown;

  constructor(
    readonly position: Position,
    readonly label: string | { value: string }[],
    readonly kind?: number,
  ) {}
}

export class InlayHintLabelPart {
  constructor(readonly value: string) {}
}

export class Disposable {
  constructor(private readonly call: () => unknown) {}

  static from(...all: { dispose(): unknown }[]): Disposable {
    return new Disposable(() => all.forEach((one) => one.dispose()));
  }

  dispose(): void {
    this.call();
  }
}

type Listener<T> = (event: T) => unknown;

/** Tells its listeners in the order in which they came, as the editor does. */
export class EventEmitter<T> {
  readonly #listeners = new Set<Listener<T>>();

  readonly event = (listener: Listener<T>, self?: unknown, disposables?: Disposable[]): Disposable => {
    const bound: Listener<T> = (event) => listener.call(self, event);
    this.#listeners.add(bound);
    const disposable = new Disposable(() => this.#listeners.delete(bound));
    disposables?.push(disposable);
    return disposable;
  };

  /** What the listeners hand back is awaited by tests only; the editor does not. */
  fire(event: T): Promise<unknown> {
    return Promise.all([...this.#listeners].map((listener) => listener(event)));
  }

  dispose(): void {
    this.#listeners.clear();
  }
}

export class CancellationError extends Error {}

export class CancellationTokenSource {
  readonly #cancelled = new EventEmitter<void>();
  readonly token = { isCancellationRequested: false, onCancellationRequested: this.#cancelled.event };

  cancel(): void {
    this.token.isCancellationRequested = true;
    void this.#cancelled.fire();
  }

  dispose(): void {
    this.#cancelled.dispose();
  }
}

/** An open text; lines end with LF. */
export class TextDocument {
  version = 1;
  isClosed = false;
  readonly isDirty = false;
  readonly notebook = undefined;

  constructor(
    readonly uri: URI,
    readonly languageId: string,
    private text: string,
  ) {}

  get fileName(): string {
    return this.uri.fsPath;
  }

  get lineCount(): number {
    return this.text.split("\n").length;
  }

  getText(range?: Range): string {
    return range === undefined ? this.text : this.text.slice(this.offsetAt(range.start), this.offsetAt(range.end));
  }

  offsetAt({ line, character }: Position): number {
    const before = this.text.split("\n").slice(0, line);
    return before.reduce((sum, each) => sum + each.length + 1, 0) + character;
  }

  positionAt(offset: number): Position {
    const lines = this.text.slice(0, offset).split("\n");
    return new Position(lines.length - 1, lines.at(-1)?.length ?? 0);
  }

  /** Replaces disjoint ranges of the text as it is now; returns the changes as the editor tells them. */
  change(edits: readonly TextEdit[]): { range: Range; rangeOffset: number; rangeLength: number; text: string }[] {
    const changes = edits.map(({ range, newText }) => {
      const [start, end] = [this.offsetAt(range.start), this.offsetAt(range.end)];
      return { range, rangeOffset: start, rangeLength: end - start, text: newText };
    });
    // From the end on, so that each change leaves the places of the next ones alone.
    changes.sort((one, other) => other.rangeOffset - one.rangeOffset);
    for (const { rangeOffset, rangeLength, text } of changes) {
      this.text = this.text.slice(0, rangeOffset) + text + this.text.slice(rangeOffset + rangeLength);
    }
    this.version += 1;
    return changes;
  }
}
