/** What the editor calls: commands and events, each handed to the session or to a pure function. */

import * as vscode from "vscode";
import { lessonPath, rulesAt, rulesOf, slugOf } from "./findings";
import { Session } from "./session";
import { stateChoices, stateNames } from "./states";

const LESSON = "thumbrule-lesson";

let session: Session | undefined;

export async function activate(context: vscode.ExtensionContext): Promise<void> {
  const output = vscode.window.createOutputChannel("thumbrule", { log: true });
  const ours = new Session(output);
  session = ours;
  const command = (name: string, run: () => unknown): vscode.Disposable =>
    vscode.commands.registerCommand(`thumbrule.${name}`, run);
  context.subscriptions.push(
    output,
    command("restart", () => ours.restart()),
    command("chooseHintState", () => chooseHintState(ours)),
    command("mendAll", () => mendAll(ours)),
    command("showLesson", () => showLesson(ours)),
    command("showOutput", () => output.show()),
    vscode.workspace.registerTextDocumentContentProvider(LESSON, {
      provideTextDocumentContent: (uri) => lessonText(ours, uri),
    }),
    vscode.workspace.onDidOpenTextDocument((document) => ours.notice(document)),
    vscode.workspace.onDidChangeTextDocument(({ document }) => ours.notice(document)),
    vscode.workspace.onDidChangeConfiguration((event) =>
      event.affectsConfiguration("thumbrule") ? ours.configure() : undefined,
    ),
  );
  await ours.noticeAll();
}

export async function deactivate(): Promise<void> {
  await session?.dispose();
  session = undefined;
}

/** The circuit in front; without one the reader is told. */
function circuitInFront(ours: Session): vscode.TextEditor | undefined {
  const editor = vscode.window.activeTextEditor;
  if (editor !== undefined && ours.knows(editor.document)) return editor;
  const stopped = editor !== undefined && ours.wants(editor.document);
  const words = stopped
    ? "The server does not run; the output says why."
    : "Open a circuit first: a file that says format: thumbrule/1.";
  void vscode.window.showInformationMessage(words);
  return undefined;
}

async function chooseHintState(ours: Session): Promise<void> {
  const editor = circuitInFront(ours);
  if (editor === undefined) return;
  const names = stateNames(await ours.ask("thumbrule/states", { textDocument: { uri: editor.document.uri.toString() } }));
  if (names.length === 0) {
    void vscode.window.showInformationMessage("No state of this circuit is known yet.");
    return;
  }
  const chosen = await vscode.window.showQuickPick(stateChoices(names, ours.settings.server.hintState), {
    placeHolder: "State whose voltages and currents stand beside the text",
  });
  if (chosen === undefined) return;
  // Without a folder there are only the user's own settings.
  const target = vscode.workspace.workspaceFolders?.length
    ? vscode.ConfigurationTarget.Workspace
    : vscode.ConfigurationTarget.Global;
  await vscode.workspace.getConfiguration("thumbrule").update("hintState", chosen.state, target);
}

async function mendAll(ours: Session): Promise<void> {
  const editor = circuitInFront(ours);
  if (editor === undefined) return;
  const words = await vscode.window.withProgress(
    { location: vscode.ProgressLocation.Window, title: "thumbrule: proving what mends this circuit" },
    () => ours.mend(editor.document),
  );
  if (words !== undefined) void vscode.window.showInformationMessage(words);
}

async function showLesson(ours: Session): Promise<void> {
  const editor = circuitInFront(ours);
  if (editor === undefined) return;
  const shown = vscode.languages.getDiagnostics(editor.document.uri);
  const here = rulesAt(shown, editor.selection.active);
  const rules = here.length > 0 ? here : rulesOf(shown);
  if (rules.length === 0) {
    void vscode.window.showInformationMessage("This circuit has no finding, so there is no lesson to show.");
    return;
  }
  const slug =
    here.length === 1 ? here[0] : await vscode.window.showQuickPick(rules, { placeHolder: "Lesson of which finding?" });
  if (slug === undefined) return;
  const circuit = editor.document.uri.toString();
  const uri = vscode.Uri.from({ scheme: LESSON, path: lessonPath(slug), query: circuit });
  try {
    await vscode.commands.executeCommand("markdown.showPreviewToSide", uri);
  } catch {
    // The editor's own reader of Markdown can be switched off.
    await vscode.window.showTextDocument(uri, { preview: true, viewColumn: vscode.ViewColumn.Beside });
  }
}

async function lessonText(ours: Session, uri: vscode.Uri): Promise<string> {
  const slug = slugOf(uri.path);
  const textDocument = { uri: uri.query };
  const answer = slug === undefined ? undefined : await ours.ask("thumbrule/lesson", { slug, textDocument });
  const { markdown } = (answer ?? {}) as { markdown?: unknown };
  return typeof markdown === "string" ? markdown : `There is no lesson at ${uri.path}.`;
}
