#include "agent/uplink/stream.h"

#include <utility>

namespace bayward {

UplinkStream::UplinkStream(const std::shared_ptr<grpc::Channel>& channel, std::shared_ptr<Signal> signal)
    : stub_(v1::Uplink::NewStub(channel)), signal_(std::move(signal)) {
  stub_->async()->Connect(&context_, this);
  // Keeps the stream from being done while this side may still start something.
  AddHold();
  StartRead(&in_);
  StartCall();
}

UplinkStream::~UplinkStream() {
  absl::MutexLock lock(&mutex_);  // OnDone has let it go
}

std::optional<v1::ServerMessage> UplinkStream::Take() {
  bool read_on = false;
  std::optional<v1::ServerMessage> message;
  {
    absl::MutexLock lock(&mutex_);
    if (inbox_.empty()) return std::nullopt;
    message = std::move(inbox_.front());
    inbox_.pop_front();
    read_on = !reading_ && !read_ended_;
    if (read_on) reading_ = true;
  }
  if (read_on) StartRead(&in_);
  return message;
}

bool UplinkStream::can_write() const {
  absl::MutexLock lock(&mutex_);
  return !writing_ && !write_ended_;
}

void UplinkStream::Write(v1::AgentMessage message) {
  {
    absl::MutexLock lock(&mutex_);
    if (writing_ || write_ended_) return;
    writing_ = true;
  }
  out_ = std::move(message);
  StartWrite(&out_);
}

void UplinkStream::HalfClose() {
  {
    absl::MutexLock lock(&mutex_);
    if (writing_ || write_ended_) return;
    write_ended_ = true;
    writing_ = true;
  }
  StartWritesDone();
}

bool UplinkStream::done() const {
  absl::MutexLock lock(&mutex_);
  return done_;
}

grpc::Status UplinkStream::status() const {
  absl::MutexLock lock(&mutex_);
  return status_;
}

void UplinkStream::OnReadDone(bool ok) {
  const std::shared_ptr<Signal> signal = signal_;  // this may be gone once it is let go
  bool read_on = false;
  bool finish = false;
  {
    absl::MutexLock lock(&mutex_);
    reading_ = false;
    if (ok) {
      inbox_.push_back(std::move(in_));
      read_on = inbox_.size() < kInboxMax;
      reading_ = read_on;
    } else {
      // The stream has ended, in whatever way: nothing is to be written any more.
      read_ended_ = true;
      write_ended_ = true;
    }
    finish = MayFinish();
  }
  if (read_on) StartRead(&in_);
  if (finish) RemoveHold();
  signal->Set();
}

void UplinkStream::OnWriteDone(bool ok) {
  const std::shared_ptr<Signal> signal = signal_;  // this may be gone once it is let go
  bool finish = false;
  {
    absl::MutexLock lock(&mutex_);
    writing_ = false;
    if (!ok) write_ended_ = true;
    finish = MayFinish();
  }
  if (finish) RemoveHold();
  signal->Set();
}

void UplinkStream::OnWritesDoneDone(bool ok) { OnWriteDone(ok); }

bool UplinkStream::MayFinish() {
  if (!read_ended_ || writing_ || released_) return false;
  released_ = true;
  return true;
}

void UplinkStream::OnDone(const grpc::Status& status) {
  const std::shared_ptr<Signal> signal = signal_;
  {
    absl::MutexLock lock(&mutex_);
    done_ = true;
    status_ = status;
  }
  signal->Set();
}

}  // namespace bayward
