/**
 * Which open documents the server knows.  A document gets in once it is a circuit, and stays until it is closed:
 * while its first lines are being typed anew it must not lose its findings.
 */

export interface Keyed {
  readonly uri: { toString(): string };
  readonly version: number;
}

export class Gate<D extends Keyed> {
  /** The version in which each got in. */
  readonly #inside = new Map<string, number>();

  constructor(private readonly circuit: (document: D) => boolean) {}

  /** True for a document that got in before or does now. */
  admit(document: D): boolean {
    if (!this.has(document) && this.circuit(document)) this.#inside.set(document.uri.toString(), document.version);
    return this.has(document);
  }

  has(document: D): boolean {
    return this.#inside.has(document.uri.toString());
  }

  /** True when the text has changed since the document got in, with its whole text; that very change is no news. */
  follows(document: D): boolean {
    return document.version > (this.#inside.get(document.uri.toString()) ?? Infinity);
  }

  /** Lets a closed document out; true when it was inside. */
  leave(document: D): boolean {
    return this.#inside.delete(document.uri.toString());
  }

  /** Lets every document out, as after the server has stopped. */
  clear(): void {
    this.#inside.clear();
  }
}

type Wrapper<D> = (document: D, ...rest: unknown[]) => unknown;

/** Requests about one document whose last argument passes them on to the server. */
export const ASKED = [
  "provideCodeActions",
  "provideCompletionItem",
  "provideDefinition",
  "provideDocumentHighlights",
  "provideDocumentSymbols",
  "provideFoldingRanges",
  "provideHover",
  "provideInlayHints",
  "prepareRename",
  "provideReferences",
  "provideRenameEdits",
  "provideSignatureHelp",
] as const;

/**
 * One wrapper for each of {@link ASKED}: a document outside gets no answer, and the server no question.
 *
 * A rename is refused with words there; without an answer the editor would ask for a new name and then do nothing.
 */
export function guarded<D extends Keyed>(gate: Gate<D>): Record<string, Wrapper<D>> {
  const wrapper: Wrapper<D> = (document, ...rest) => {
    if (!gate.has(document)) return undefined;
    const next = rest.pop() as (...all: unknown[]) => unknown;
    return next(document, ...rest);
  };
  const prepareRename: Wrapper<D> = (document, ...rest) =>
    gate.has(document)
      ? wrapper(document, ...rest)
      : Promise.reject(new Error("This file is no circuit, so nothing here can be renamed."));
  return { ...Object.fromEntries(ASKED.map((name) => [name, wrapper])), prepareRename };
}
