// The real daemon with a known ledger and a real broker, for one test.
import { execFile, spawn } from 'node:child_process';
import { mkdtemp, rm, writeFile } from 'node:fs/promises';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { promisify } from 'node:util';

import { make_history, zone } from './history.mjs';

const run = promisify(execFile);
const build = process.env.TICKLEDGER_BUILD_DIR;
const daemon_file = join(build, 'daemon/service/tickledgerd');
const patience_ms = 120_000;  // Long enough for a loaded machine. A passing test does not wait that long.

/** Polls until the condition holds. Fails with `what` at the deadline. */
export async function until(what, condition) {
  const end = Date.now() + patience_ms;
  for (;;) {
    if (await condition()) return;
    if (Date.now() > end) throw new Error(`waited in vain until ${what}`);
    await new Promise((resolve) => setTimeout(resolve, 50));
  }
}

async function free_port() {
  const server = createServer();
  await new Promise((resolve) => server.listen(0, '127.0.0.1', resolve));
  const { port } = server.address();
  await new Promise((resolve) => server.close(resolve));
  return port;
}

class Program {
  constructor(file, args) {
    this.child = spawn(file, args, { stdio: ['ignore', 'ignore', 'pipe'] });
    this.said = '';
    this.child.stderr.on('data', (text) => { this.said += text; });
    this.ended = new Promise((resolve) => this.child.on('exit', resolve));
  }
  runs() { return this.child.exitCode === null && this.child.signalCode === null; }
  async stop(signal = 'SIGTERM') {
    this.child.kill(signal);
    await this.ended;
  }
}

const configuration = (directory, broker_port, page_port, token, flats, tenant_token) => `
[site]
timezone = "${zone}"
[broker]
url = "mqtt://127.0.0.1:${broker_port}"
[store]
directory = "${directory}/store"
commit_every = "0s"
[socket]
path = "${directory}/api.sock"
http = "127.0.0.1:${page_port}"
token_file = "${token ? join(directory, 'token') : ''}"
[[meter]]
id = "house"
topic = "nodes/house"
message = "counter"
pulse_value = "1 L"
q3 = "2.5 m3/h"
[meter.alarms]
silent_after = "1h"
[[meter]]
id = "garden"
topic = "nodes/garden"
message = "pulses"
pulse_value = "0.5 L"
q3 = "2.5 m3/h"
[meter.alarms]
off = ["counter-fault"]
silent_after = "1h"
[tariff]
currency = "EUR"
price_per_m3 = { "2020-01-01" = "2" }
${flats ? `[[meter]]
id = "flat-{1}"
topic = "flats/+"
pulse_value = "1 L"
cadence = "1h"
[meter.alarms]
silent_after = "5h"
` : ''}${tenant_token ? `[[tenant]]
name = "Whoever lives in the house"
token_file = "${join(directory, 'tenant-token')}"
meters = ["house"]
` : ''}`;

export class House {
  /**
   * With `token`, requests over TCP need it. With `tenant_token`, a tenant reads the house. `flats`: the number of further
   * meters, of which flat-7 uses twelve times its usual volume today. `ended_ago_s`: the age of the last message.
   */
  static async open({ token = '', tenant_token = '', flats = 0, ended_ago_s = 0 } = {}) {
    const house = new House();
    house.token = token;
    house.directory = await mkdtemp(join(tmpdir(), 'tickledger-page-'));
    house.truth = make_history(Math.floor(Date.now() / 1000) - ended_ago_s, flats);
    house.broker_port = await free_port();
    house.page_port = await free_port();
    house.origin = `http://127.0.0.1:${house.page_port}`;
    if (token) await writeFile(join(house.directory, 'token'), token, { mode: 0o400 });
    if (tenant_token) await writeFile(join(house.directory, 'tenant-token'), tenant_token, { mode: 0o400 });
    await writeFile(join(house.directory, 'tickledger.toml'), configuration(house.directory, house.broker_port, house.page_port, token, flats, tenant_token));
    await writeFile(join(house.directory, 'history.jsonl'), house.truth.recording);
    await run('mkdir', [join(house.directory, 'store')]);
    await run(daemon_file, ['replay', '--config', house.config(), join(house.directory, 'history.jsonl')]);
    await house.start_broker();
    await house.start_daemon();
    return house;
  }

  config() { return join(this.directory, 'tickledger.toml'); }

  async start_broker() {
    const file = join(this.directory, 'broker.conf');
    await writeFile(file, `listener ${this.broker_port} 127.0.0.1\nallow_anonymous true\nuser root\n`);
    this.broker = new Program('mosquitto', ['-c', file]);
    await until('the broker runs', () => {
      if (!this.broker.runs()) throw new Error(`the broker did not start: ${this.broker.said}`);
      return this.broker.said.includes(' running');
    });
  }

  async start_daemon() {
    this.daemon = new Program(daemon_file, ['--config', this.config()]);
    await until('the daemon answers and is subscribed', async () => {
      if (!this.daemon.runs()) throw new Error(`the daemon did not start: ${this.daemon.said}`);
      try {
        return (await this.get('/v1/health')).broker.subscribed;
      } catch {
        return false;
      }
    });
  }

  async get(target) {
    const response = await fetch(this.origin + target, { headers: this.token ? { Authorization: `Bearer ${this.token}` } : {} });
    return response.json();
  }

  async ask(method, target, body) {
    const response = await fetch(this.origin + target, { method, headers: { 'Content-Type': 'application/json' }, body: body && JSON.stringify(body) });
    if (!response.ok) throw new Error(`${method} ${target}: ${await response.text()}`);
  }
  post(target, body) { return this.ask('POST', target, body); }
  take_back(time) { return this.ask('DELETE', `/v1/meters/house/register?time=${encodeURIComponent(time)}`); }

  /** The house's node sends a count with this many more ticks. */
  async tell(ticks) {
    this.truth.count += ticks;
    this.truth.seq += 1;
    const payload = JSON.stringify({ count: this.truth.count, boot: 1, seq: this.truth.seq, time: new Date().toISOString() });
    await run('mosquitto_pub', ['-p', String(this.broker_port), '-q', '1', '-t', 'nodes/house', '-m', payload]);
  }

  /** Publishes any payload on the house's topic. */
  async publish(payload) {
    await run('mosquitto_pub', ['-p', String(this.broker_port), '-q', '1', '-t', 'nodes/house', '-m', payload]);
  }

  async close() {
    this.daemon?.child.kill('SIGCONT');
    for (const program of [this.daemon, this.broker]) if (program?.runs()) await program.stop();
    await rm(this.directory, { recursive: true, force: true });
  }
}
