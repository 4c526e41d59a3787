#include "agent/agent.h"

#include <utility>

#include "proto/common/log.h"
#include "proto/common/status.h"

namespace bayward {

Agent::Agent(AgentConfig config, Clock& clock) : config_(std::move(config)), clock_(clock) {}

Agent::~Agent() { Stop(absl::ZeroDuration()); }

absl::Status Agent::Start() {
  SqliteSpoolOptions spool;
  spool.folder = config_.data_dir;
  spool.bytes_max = config_.spool_bytes_max;
  spool.age_max = config_.spool_age_max;
  spool.boot = BootId();
  spool.clock = &clock_;
  BAYWARD_ASSIGN_OR_RETURN(spool_, SqliteSpool::Open(spool));

  RecorderOptions recorder;
  recorder.agent = config_.name;
  recorder.clock = &clock_;
  UplinkOptions uplink;
  uplink.server = config_.server;
  uplink.credentials = grpc::InsecureChannelCredentials();
  uplink.session.agent = config_.name;
  uplink.session.version = BAYWARD_VERSION;
  uplink.session.boot = spool.boot;
  uplink.session.clock = &clock_;
  for (const auto& source : config_.sources) {
    for (const ServedMachine& served : source->machines()) {
      recorder.machines.push_back({served.machine, source->rehearses()});
      if (served.book_name.empty()) continue;
      v1::CodeBookUse& use = uplink.session.code_books.emplace_back();
      use.set_machine(served.machine);
      use.set_name(served.book_name);
      use.set_version(served.book_version);
      use.set_sha256(served.book_sha256);
    }
  }
  recorder_ = std::make_unique<Recorder>(std::move(recorder), *spool_);
  recorder_->Start();
  uplink_ = std::make_unique<Uplink>(std::move(uplink), *spool_, *recorder_);
  uplink_->Start();
  for (const auto& source : config_.sources) BAYWARD_RETURN_IF_ERROR(source->Start(*recorder_));
  spdlog::info("agent {}: watches {} sources, delivers to {}", config_.name, config_.sources.size(),
               config_.server);
  return absl::OkStatus();
}

void Agent::Tick() { recorder_->Tick(); }

void Agent::Stop(absl::Duration grace) {
  for (const auto& source : config_.sources) source->Stop();
  if (recorder_ != nullptr) recorder_->Sync();
  if (uplink_ != nullptr) uplink_->Stop(grace);
  uplink_.reset();
  if (recorder_ != nullptr) recorder_->Sync();  // what was acknowledged meanwhile
  recorder_.reset();
  spool_.reset();
}

}  // namespace bayward
