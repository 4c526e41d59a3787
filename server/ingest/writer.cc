#include "server/ingest/writer.h"

#include <algorithm>
#include <optional>
#include <utility>

#include "absl/time/clock.h"
#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {
namespace {

constexpr std::size_t kNoLimit = static_cast<std::size_t>(-1);
constexpr absl::Duration kSkippedLong = absl::Seconds(15);
constexpr absl::Duration kRetryFirst = absl::Milliseconds(50);
constexpr absl::Duration kRetryMost = absl::Seconds(2);
constexpr absl::Duration kFlushSoonest = absl::Seconds(1);

std::size_t EntriesOf(const Job& job) {
  const auto* batch = std::get_if<BatchJob>(&job.what);
  return batch == nullptr ? 0 : static_cast<std::size_t>(batch->batch.entries_size());
}

std::vector<AgentProgress> AgentsOf(const std::map<AgentId, std::vector<Job>>& group) {
  std::vector<AgentProgress> agents;
  for (const auto& [agent, jobs] : group) {
    AgentProgress& progress = agents.emplace_back();
    progress.agent = agent;
    progress.site = jobs.front().site;
  }
  return agents;
}

}  // namespace

Writer::Writer(const Database& database, FleetSource fleet, IngestCounts& counts, WriterOptions options)
    : database_(database), fleet_(std::move(fleet)), counts_(counts), options_(options) {
  counts_.queue_capacity += options_.queue_jobs_max;
}

Writer::~Writer() { Stop(absl::InfinitePast()); }

void Writer::Start() {
  thread_ = std::thread([this] { Run(); });
}

bool Writer::Enqueue(Job job) {
  absl::MutexLock lock(&mutex_);
  if (stopping_ || queued_ >= options_.queue_jobs_max) return false;
  AgentQueue& queue = queues_[job.agent];
  if (queue.jobs.empty()) (job.backlog ? backlog_ : live_).push_back(job.agent);
  queue.jobs.push_back(std::move(job));
  ++queued_;
  ++counts_.queue_batches;
  return true;
}

void Writer::Stop(absl::Time deadline) {
  {
    absl::MutexLock lock(&mutex_);
    stopping_ = true;
    stop_by_ = std::min(stop_by_, deadline);
  }
  if (thread_.joinable()) thread_.join();
}

void Writer::Run() {
  while (true) {
    {
      absl::MutexLock lock(&mutex_);
      const auto something = [this]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return queued_ > 0 || stopping_; };
      mutex_.AwaitWithTimeout(absl::Condition(&something), absl::Seconds(1));
      if (stopping_ && (queued_ == 0 || absl::Now() > stop_by_)) break;
    }
    Group group = TakeGroup();
    HandleHeartbeats(group);
    if (!group.empty()) Commit(std::move(group));
    if (absl::Now() - flushed_at_ >= (caught_up_ ? kFlushSoonest : options_.observed_flush)) FlushObserved();
  }
  FlushObserved();
  for (Group rest = TakeGroup(); !rest.empty(); rest = TakeGroup()) Abandon(std::move(rest));
}

void Writer::Abandon(Group group) {
  for (auto& [agent, jobs] : group) {
    for (Job& job : jobs) {
      if (job.reply) job.reply(Unavailable("this server is stopping: come back after a back-off"), {});
    }
  }
}

Writer::Group Writer::TakeGroup() {
  Group group;
  std::size_t events = 0;
  absl::MutexLock lock(&mutex_);
  for (std::deque<AgentId>* line : {&live_, &backlog_}) {
    while (!line->empty() && events < options_.group_events_max) {
      const AgentId agent = line->front();
      line->pop_front();
      AgentQueue& queue = queues_[agent];
      std::size_t of_agent = 0;
      std::vector<Job>& taken = group[agent];
      while (!queue.jobs.empty() && (of_agent == 0 || of_agent < options_.agent_events_max)) {
        of_agent += std::max<std::size_t>(1, EntriesOf(queue.jobs.front()));
        taken.push_back(std::move(queue.jobs.front()));
        queue.jobs.pop_front();
        --queued_;
        --counts_.queue_batches;
      }
      events += of_agent;
    }
  }
  // Agents with more than their share wait in line again.
  for (const auto& [agent, jobs] : group) {
    const AgentQueue& queue = queues_[agent];
    if (!queue.jobs.empty()) (queue.jobs.front().backlog ? backlog_ : live_).push_back(agent);
  }
  return group;
}

void Writer::PutBack(AgentId agent, std::vector<Job> jobs) {
  absl::MutexLock lock(&mutex_);
  AgentQueue& queue = queues_[agent];
  const absl::Time now = absl::Now();
  queue.skipped_since = std::min(queue.skipped_since, now);
  if (!queue.skip_counted && now - queue.skipped_since > kSkippedLong) {
    queue.skip_counted = true;
    ++counts_.agents_skipped_long;
    spdlog::warn("agent {} has been locked by somebody else for over 15 s: does another server hold its transaction?",
                 agent.value);
  }
  if (queue.jobs.empty()) (jobs.front().backlog ? backlog_ : live_).push_back(agent);
  queued_ += jobs.size();
  counts_.queue_batches += jobs.size();
  queue.jobs.insert(queue.jobs.begin(), std::make_move_iterator(jobs.begin()), std::make_move_iterator(jobs.end()));
}

// Heartbeats cost no transaction: what they say is written with the agent's next one, or by FlushObserved().
void Writer::HandleHeartbeats(Group& group) {
  for (auto agent = group.begin(); agent != group.end();) {
    std::vector<Job> rest;
    for (Job& job : agent->second) {
      const auto* beat = std::get_if<HeartbeatJob>(&job.what);
      if (beat == nullptr || !rest.empty()) {
        rest.push_back(std::move(job));
        continue;
      }
      auto known = remembered_.find(job.agent);
      if (known != remembered_.end() && !known->second.epochs.empty()) {
        const AgentFold& fold = known->second;
        if (fold.epochs.back().epoch == beat->heartbeat.epoch() &&
            fold.progress.watermark == beat->heartbeat.last_sequence()) {
          const absl::Time until = std::min(absl::FromUnixMicros(beat->heartbeat.alive_until_us()), absl::Now());
          absl::Time& observed = observed_.try_emplace(job.agent, absl::InfinitePast()).first->second;
          observed = std::max(observed, until);
          // An agent that has just caught up: its time is pending no longer.
          if (until - fold.progress.observed_until > 2 * options_.observed_flush) caught_up_ = true;
        }
      }
      if (job.reply) job.reply(absl::OkStatus(), {});
    }
    agent->second = std::move(rest);
    agent = agent->second.empty() ? group.erase(agent) : std::next(agent);
  }
}

absl::Status Writer::Connect() {
  if (connection_ != nullptr && !connection_->broken()) return absl::OkStatus();
  BAYWARD_ASSIGN_OR_RETURN(connection_, database_.Open({.application_name = "bayward-ingest"}));
  return absl::OkStatus();
}

Writer::Attempt Writer::Try(const Group& group, std::size_t entries_max, bool keep) {
  Attempt attempt;
  attempt.status = Connect();
  if (attempt.status.ok()) attempt.status = TryInto(group, entries_max, keep, attempt);
  if (!attempt.status.ok()) {
    // Whatever was remembered may or may not be what the database holds now.
    for (const auto& [agent, jobs] : group) remembered_.erase(agent);
    if (attempt.status.code() != absl::StatusCode::kInvalidArgument) connection_.reset();
  }
  return attempt;
}

absl::Status Writer::TryInto(const Group& group, std::size_t entries_max, bool keep, Attempt& attempt) {
  const absl::Time begun = absl::Now();
  BAYWARD_ASSIGN_OR_RETURN(std::unique_ptr<IngestTransaction> transaction, IngestTransaction::Begin(*connection_));
  BAYWARD_ASSIGN_OR_RETURN(std::vector<AgentProgress> locked, transaction->Lock(AgentsOf(group)));
  BAYWARD_RETURN_IF_ERROR(LoadFolds(*transaction, std::move(locked), attempt));
  const std::shared_ptr<const Fleet> fleet = fleet_();
  GroupRows rows;
  std::size_t entries_left = entries_max;
  for (const auto& [agent, jobs] : group) {
    auto fold = attempt.folds.find(agent);
    if (fold == attempt.folds.end()) {
      attempt.skipped.insert(agent);
      continue;
    }
    BAYWARD_RETURN_IF_ERROR(FoldAgent(*transaction, jobs, *fleet, rows, fold->second, entries_left, attempt));
  }
  BAYWARD_RETURN_IF_ERROR(transaction->Send(rows));
  // Written even where nothing changed: only a commit that writes the row settles whether an earlier one took place.
  std::vector<AgentProgress> progress;
  for (const auto& [agent, fold] : attempt.folds) progress.push_back(fold.progress);
  BAYWARD_RETURN_IF_ERROR(transaction->Save(progress));
  if (!keep) return absl::OkStatus();
  BAYWARD_RETURN_IF_ERROR(transaction->Commit());
  for (auto& [agent, fold] : attempt.folds) ++fold.progress.fold_version;
  counts_.ObserveCommit(absl::ToDoubleSeconds(absl::Now() - begun));
  return absl::OkStatus();
}

absl::Status Writer::LoadFolds(IngestTransaction& transaction, std::vector<AgentProgress> locked, Attempt& attempt) {
  for (AgentProgress& progress : locked) {
    auto known = remembered_.find(progress.agent);
    if (known != remembered_.end() && known->second.progress.fold_version == progress.fold_version) {
      attempt.folds.emplace(progress.agent, known->second);
      continue;
    }
    AgentFold fold;
    fold.progress = progress;
    BAYWARD_ASSIGN_OR_RETURN(fold.epochs, transaction.Epochs(progress.agent));
    BAYWARD_ASSIGN_OR_RETURN(std::vector<OpenMachine> machines, transaction.OpenMachines(progress.agent));
    for (OpenMachine& machine : machines) {
      const std::int32_t assignment = machine.assignment;
      fold.machines.emplace(assignment, std::move(machine));
    }
    BAYWARD_ASSIGN_OR_RETURN(const std::vector<std::string> parked, transaction.ParkedMachines(progress.agent));
    fold.parked.insert(parked.begin(), parked.end());
    attempt.folds.emplace(progress.agent, std::move(fold));
  }
  return absl::OkStatus();
}

absl::Status Writer::FoldAgent(IngestTransaction& transaction, const std::vector<Job>& jobs, const Fleet& fleet,
                               GroupRows& rows, AgentFold& fold, std::size_t& entries_left, Attempt& attempt) {
  AgentFolder folder(fold, fleet, transaction, rows, attempt.counts, reader_, poisoned_);
  BAYWARD_RETURN_IF_ERROR(folder.CatchUp());
  std::vector<Answer>& answers = attempt.answers[fold.progress.agent];
  std::string resumed;  // epoch of which the rest of the group's batches were overtaken by a refusal
  for (const Job& job : jobs) {
    Answer& answer = answers.emplace_back();
    if (std::holds_alternative<HelloJob>(job.what)) {
      v1::ServerMessage first;
      std::vector<v1::ServerMessage> more;
      BAYWARD_RETURN_IF_ERROR(folder.Apply(*job.stream, *first.mutable_welcome(), more));
      first.mutable_welcome()->set_server_time_us(absl::ToUnixMicros(transaction.now()));
      answer.messages.push_back(std::move(first));
      std::move(more.begin(), more.end(), std::back_inserter(answer.messages));
      resumed.clear();
    } else if (const auto* batch = std::get_if<BatchJob>(&job.what)) {
      if (!resumed.empty() && batch->batch.epoch() == resumed) continue;
      v1::ServerMessage message;
      if (EntriesOf(job) > entries_left) {
        v1::Batch part = batch->batch;
        part.mutable_entries()->DeleteSubrange(static_cast<int>(entries_left),
                                               part.entries_size() - static_cast<int>(entries_left));
        BAYWARD_RETURN_IF_ERROR(folder.Apply(*job.stream, part, message));
        entries_left = 0;
        break;
      }
      BAYWARD_RETURN_IF_ERROR(folder.Apply(*job.stream, batch->batch, message));
      entries_left -= entries_left == kNoLimit ? 0 : EntriesOf(job);
      if (message.has_resume_after()) resumed = message.resume_after().epoch();
      answer.messages.push_back(std::move(message));
    } else if (const auto* report = std::get_if<LiveReportJob>(&job.what)) {
      BAYWARD_RETURN_IF_ERROR(transaction.SaveLiveReport(
          {.agent = fold.progress.agent, .epoch = report->report.epoch(), .at_sequence = report->report.at_sequence(),
           .as_of = absl::FromUnixMicros(report->report.as_of_us()), .report = report->report.SerializeAsString()}));
    }
  }
  auto observed = observed_.find(fold.progress.agent);
  if (observed != observed_.end()) {
    fold.progress.observed_until = std::max(fold.progress.observed_until, observed->second);
  }
  return folder.Finish();
}

void Writer::Commit(Group group) {
  absl::Duration pause = kRetryFirst;
  while (true) {
    Attempt attempt = Try(group, kNoLimit, true);
    if (attempt.status.ok()) return Finish(std::move(group), std::move(attempt));
    ++counts_.commit_failures;
    const bool retry = attempt.status.code() == absl::StatusCode::kUnavailable ||
                       attempt.status.code() == absl::StatusCode::kAborted;
    if (!retry && group.size() > 1) {
      for (auto& [agent, jobs] : group) {
        Group alone;
        alone.emplace(agent, std::move(jobs));
        Commit(std::move(alone));
      }
      return;
    }
    if (attempt.status.code() == absl::StatusCode::kInvalidArgument) {
      const std::size_t before = poisoned_.size();
      Poison(group, attempt.status);
      if (poisoned_.size() > before) continue;
    }
    if (!retry) return Fail(std::move(group), attempt.status);
    spdlog::warn("a group of {} agents is not committed, trying again: {}", group.size(), Message(attempt.status));
    {
      absl::MutexLock lock(&mutex_);
      const bool was_stopping = stopping_;
      const auto stops = [&]() ABSL_EXCLUSIVE_LOCKS_REQUIRED(mutex_) { return stopping_ && !was_stopping; };
      mutex_.AwaitWithTimeout(absl::Condition(&stops), pause);
    }
    if (absl::MutexLock lock(&mutex_); stopping_ && absl::Now() > stop_by_) break;
    pause = std::min(pause * 2, kRetryMost);
  }
  Abandon(std::move(group));
}

// Finds the first event the database refuses by halving, so that it alone is kept as rejected.
void Writer::Poison(const Group& group, const absl::Status& refused) {
  std::vector<std::pair<std::string, std::uint64_t>> entries;
  for (const Job& job : group.begin()->second) {
    const auto* batch = std::get_if<BatchJob>(&job.what);
    if (batch == nullptr) continue;
    for (const auto& entry : batch->batch.entries()) entries.emplace_back(batch->batch.epoch(), entry.sequence());
  }
  std::size_t good = 0, bad = entries.size();
  while (bad > good + 1) {
    const std::size_t middle = good + (bad - good) / 2;
    const absl::Status status = Try(group, middle, false).status;
    if (status.ok()) {
      good = middle;
    } else if (status.code() == absl::StatusCode::kInvalidArgument) {
      bad = middle;
    } else {
      return;  // the database went away meanwhile; the group will be tried again
    }
  }
  if (bad == 0 || bad > entries.size()) return;
  const auto& [epoch, sequence] = entries[bad - 1];
  poisoned_.insert({epoch, sequence, std::string(Message(refused))});
}

void Writer::Finish(Group group, Attempt attempt) {
  poisoned_.clear();
  for (auto& [agent, fold] : attempt.folds) {
    observed_.erase(agent);
    remembered_.insert_or_assign(agent, std::move(fold));
  }
  attempt.counts.AddTo(counts_);
  ++counts_.commits;
  bool all_skipped = true;
  for (auto& [agent, jobs] : group) {
    if (attempt.skipped.contains(agent)) {
      PutBack(agent, std::move(jobs));
      continue;
    }
    all_skipped = false;
    std::vector<Answer>& answers = attempt.answers[agent];
    for (std::size_t i = 0; i < jobs.size(); ++i) {
      if (jobs[i].reply) jobs[i].reply(absl::OkStatus(), std::move(answers[i].messages));
    }
    absl::MutexLock lock(&mutex_);
    AgentQueue& queue = queues_[agent];
    queue.skipped_since = absl::InfiniteFuture();
    queue.skip_counted = false;
  }
  if (all_skipped && !group.empty()) {
    absl::MutexLock lock(&mutex_);
    mutex_.AwaitWithTimeout(absl::Condition(&stopping_), kRetryFirst);
  }
}

void Writer::Fail(Group group, const absl::Status& status) {
  for (auto& [agent, jobs] : group) {
    spdlog::error("agent {}: its events cannot be taken in, its stream is ended: {}", agent.value, Message(status));
    for (Job& job : jobs) {
      if (job.reply) job.reply(Unavailable("the events cannot be taken in now; the server's log says why"), {});
    }
  }
}

void Writer::FlushObserved() {
  flushed_at_ = absl::Now();
  caught_up_ = false;
  if (observed_.empty()) return;
  Group group;
  for (const auto& [agent, until] : observed_) {
    auto known = remembered_.find(agent);
    if (known == remembered_.end()) continue;
    group[agent].push_back(Job{.agent = agent, .site = known->second.progress.site, .stream = nullptr,
                               .what = TouchJob{}, .backlog = false, .reply = nullptr});
  }
  if (group.empty()) return;
  // Heard again in a few seconds if this fails.
  Attempt attempt = Try(group, kNoLimit, true);
  if (attempt.status.ok()) {
    Finish(Group(), std::move(attempt));
  } else {
    observed_.clear();
  }
}

}  // namespace bayward
